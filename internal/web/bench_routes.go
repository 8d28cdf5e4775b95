package web

import "github.com/labstack/echo/v4"

// The bench's routes, all below one path: so far reaches the worker that serves phones without a signal, and a kept phone's cookie.
const (
	benchPath   = "/bench"
	benchTests  = "/bench/tests"
	benchShell  = "/bench/shell"
	benchWorker = "/bench/worker.js"
)

func (s *Server) addBench(get, post func(path string, h echo.HandlerFunc)) {
	get(benchPath, s.benchRound)
	get("/bench/unit", s.benchForm)
	post("/bench/unit", s.takeBenchForm)
	get(benchTests, s.benchTestsPage)
	post(benchTests, s.takeBenchJSON)
	get("/bench/tests/:entry", s.benchTestPage)
	post("/bench/tests/:entry", s.settleBenchTest)
	get("/bench/facts", s.benchFacts)
	get(benchShell, s.benchShell)
	get(benchWorker, s.benchWorker)

	post("/bench/keep", s.keepPhone)
	post("/bench/let-go", s.letThisPhoneGo)
	get("/bench/phones", s.phonesPage)
	post("/bench/phones/:phone/let-go", s.letPhoneGo)

	get("/bench/labels", s.labelsPage)
	get("/bench/labels.pdf", s.labelsPDF)
}
