package web

import "github.com/labstack/echo/v4"

func (s *Server) addSettings(get, post func(path string, h echo.HandlerFunc)) {
	get("/settings", s.settingsPage)
	get("/settings/account", s.accountPage)
	post("/settings/account", s.setContact)
	post("/settings/account/password", s.setOwnPassword)
	post("/settings/account/sign-out-elsewhere", s.signOutElsewhere)
	post("/settings/account/put-back", s.putMeBack)

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

	get("/settings/schedules", s.schedulesPage)
	get("/settings/add-schedule", s.addScheduleForm)
	post("/settings/add-schedule", s.addSchedule)
	get("/settings/schedules/:schedule", s.scheduleForm)
	post("/settings/schedules/:schedule", s.editSchedule)
	post("/settings/schedules/:schedule/pause", s.pauseSchedule)
	post("/settings/schedules/:schedule/resume", s.resumeSchedule)
	post("/settings/schedules/:schedule/send-now", s.sendNow)
	post("/settings/schedules/:schedule/put-back", s.putBack)
	get("/settings/schedules/:schedule/remove", s.removeForm)
	post("/settings/schedules/:schedule/remove", s.removeSchedule)
	get("/settings/letters", s.lettersPage)
	post("/settings/letters/:letter/retry", s.retryLetter)

	get("/settings/tokens", s.tokensPage)
	post("/settings/tokens", s.addToken)
	get("/settings/tokens/:token/revoke", s.revokeForm)
	post("/settings/tokens/:token/revoke", s.revokeToken)
}
