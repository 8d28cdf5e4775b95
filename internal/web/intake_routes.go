package web

import "github.com/labstack/echo/v4"

func (s *Server) addIntake(get func(string, echo.HandlerFunc), post func(string, echo.HandlerFunc)) {
	get("/intake", s.intakePage)
	get("/intake/kept-apart.csv", s.keptApartCSV)
	get("/intake/imports/:import", s.importPage)
	post("/intake/files", s.bringFiles)

	get("/intake/rows/:row", s.keptRowPage)
	post("/intake/rows/:row", s.takeRow)
	post("/intake/rows/:row/set-aside", s.setRowAside)
	post("/intake/rows/:row/put-back", s.putRowBack)
	get("/intake/alike", s.alikePage)
	post("/intake/alike", s.mendAlike)
	get("/intake/settled", s.settledPage)

	get("/intake/silent", s.silentPage)
	get("/intake/silent.csv", s.silentCSV)
	get("/intake/odd", s.oddPage)
}
