package web

import "github.com/labstack/echo/v4"

func (s *Server) addSettings(get, post func(path string, h echo.HandlerFunc)) {
	get("/settings", s.settingsPage)
	get("/settings/account", s.accountPage)
	post("/settings/account", s.setContact)
	post("/settings/account/password", s.setOwnPassword)
	post("/settings/account/sign-out-elsewhere", s.signOutElsewhere)

	get("/settings/people", s.peoplePage)
	get("/settings/add-person", s.addPersonForm)
	post("/settings/add-person", s.addPerson)
	get("/settings/people/:person", s.personForm)
	post("/settings/people/:person", s.editPerson)
	get("/settings/people/:person/password", s.passwordForm)
	post("/settings/people/:person/password", s.givePassword)
	get("/settings/people/:person/disable", s.disableForm)
	post("/settings/people/:person/disable", s.disablePerson)
	post("/settings/people/:person/enable", s.enablePerson)

	get("/settings/tokens", s.tokensPage)
	post("/settings/tokens", s.addToken)
	get("/settings/tokens/:token/revoke", s.revokeForm)
	post("/settings/tokens/:token/revoke", s.revokeToken)
}
