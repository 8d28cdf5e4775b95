package web

import (
	"slices"

	"github.com/labstack/echo/v4"

	"rimeyard/internal/fleet"
)

// depotRule says how a route keeps to the depots that the asker may see.
type depotRule int

const (
	noDepot  depotRule = iota // shows nothing that belongs to a depot
	ownRows                   // the handler narrows what it reads to viewer.depots
	ownUnit                   // the unit in the path must be theirs; else it is as if there were no such unit
	ownBatch                  // what is brought is judged against viewer.depots
)

// rule says who may use a route.
type rule struct {
	open  bool           // anybody
	blind bool           // and who asks is not even looked up
	roles []fleet.Role   // people of these roles who are signed in
	token fleet.TokenUse // or who holds a token for this
	phone bool           // or whose phone is kept for the bench
	depot depotRule
}

var (
	everyone = []fleet.Role{fleet.Manager, fleet.Mechanic, fleet.Accountant, fleet.Reader, fleet.Administrator}
	keepers  = []fleet.Role{fleet.Administrator}
	planners = []fleet.Role{fleet.Manager, fleet.Administrator}
	intakers = []fleet.Role{fleet.Manager, fleet.Mechanic, fleet.Administrator}
	// accounting see what is spent and owed at their depots; bookkeepers change what it rests on.
	accounting  = []fleet.Role{fleet.Accountant, fleet.Manager, fleet.Administrator}
	bookkeepers = []fleet.Role{fleet.Accountant, fleet.Administrator}
)

// rights is who may do what: method and path of a route, as registered, to its rule. A GET rule holds for HEAD too.
// A route that is not here is refused to everybody, and a test fails.
var rights = map[string]rule{
	"GET /healthz":      {open: true, blind: true},
	"GET /readyz":       {open: true, blind: true},
	"GET /static/:name": {open: true, blind: true},
	"GET /sign-in":      {open: true},
	"POST /sign-in":     {open: true},
	"POST /sign-out":    {roles: everyone},

	"GET " + unsubscribeRoute:  {open: true, blind: true},
	"POST " + unsubscribeRoute: {open: true, blind: true},

	"GET /":                            {roles: everyone},
	"GET /winter-list":                 {roles: everyone, depot: ownRows},
	"GET /winter-list.csv":             {roles: everyone, depot: ownRows},
	"GET /winter-list.xlsx":            {roles: everyone, depot: ownRows},
	"GET /winter-list.pdf":             {roles: everyone, depot: ownRows},
	"GET /winter-list/cold-ladder.svg": {roles: everyone, depot: ownRows},
	"GET /tonight":                     {roles: everyone, depot: ownRows},
	"GET /tonight/checklist":           {roles: everyone, depot: ownRows},
	"GET /tonight.csv":                 {roles: everyone, depot: ownRows},
	"POST /tonight/low":                {roles: intakers, depot: ownRows},
	"GET /api/v1/tonight":              {roles: everyone, token: fleet.ReadList, depot: ownRows},
	"GET /plan":                        {roles: everyone, depot: ownRows},
	"GET /plan.csv":                    {roles: everyone, depot: ownRows},
	"GET /plan.xlsx":                   {roles: everyone, depot: ownRows},
	"GET /plan/picking":                {roles: everyone, depot: ownRows},
	"GET /plan/picking.pdf":            {roles: everyone, depot: ownRows},
	"GET /plan/picking.csv":            {roles: everyone, depot: ownRows},
	"GET /plan/units/:unit":            {roles: everyone, depot: ownUnit},
	"POST /plan/units/:unit":           {roles: planners, depot: ownUnit},
	"POST /plan/week":                  {roles: planners, depot: ownRows},
	"GET /plan/feed":                   {roles: everyone},
	"POST /plan/feed":                  {roles: everyone},
	"POST /plan/feed/end":              {roles: everyone},
	"GET /plan.ics":                    {open: true, blind: true}, // the token in the address says whose depots are shown
	"GET /units/:unit":                 {roles: everyone, depot: ownUnit},
	"GET /units/:unit/season.svg":      {roles: everyone, depot: ownUnit},
	"GET /units/:unit/crank-volts.svg": {roles: everyone, depot: ownUnit},
	"GET /units/:unit/open-job":        {roles: intakers, depot: ownUnit},
	"POST /units/:unit/open-job":       {roles: intakers, depot: ownUnit},
	"GET /jobs":                        {roles: everyone, depot: ownRows},
	"GET /jobs/:job":                   {roles: everyone, depot: ownRows},
	"POST /jobs/:job":                  {roles: intakers, depot: ownRows},
	"GET /jobs/:job/fit":               {roles: intakers, depot: ownRows},
	"POST /jobs/:job/fit":              {roles: intakers, depot: ownRows},
	"GET /jobs/:job/prove":             {roles: intakers, depot: ownRows},
	"POST /jobs/:job/prove":            {roles: intakers, depot: ownRows},
	"GET /jobs/:job/sheet":             {roles: everyone, depot: ownRows},
	"GET /jobs/:job/sheet.pdf":         {roles: everyone, depot: ownRows},
	"GET /api/v1/jobs":                 {roles: everyone, token: fleet.ReadList, depot: ownRows},
	"GET /api/v1/jobs/:job":            {roles: everyone, token: fleet.ReadList, depot: ownRows},
	"GET /stock":                       {roles: everyone, depot: ownRows},
	"GET /stock/part":                  {roles: intakers, depot: ownRows},
	"POST /stock/part":                 {roles: intakers, depot: ownRows},
	"POST /stock/battery":              {roles: intakers, depot: ownRows},
	"GET /audit":                       {roles: everyone, depot: ownRows},
	"GET /audit.csv":                   {roles: everyone, depot: ownRows},
	"GET /audit/bands.svg":             {roles: everyone, depot: ownRows},
	"GET /audit/orders.svg":            {roles: everyone, depot: ownRows},
	"GET /faults":                      {roles: everyone, depot: ownRows},
	"GET /faults/notes":                {roles: planners, depot: ownRows},
	"POST /faults/notes":               {roles: planners, depot: ownRows},
	"GET /fault-any":                   {roles: intakers, depot: ownRows},
	"POST /fault-any":                  {roles: intakers, depot: ownRows},
	"GET /units/:unit/fault":           {roles: intakers, depot: ownUnit},
	"POST /units/:unit/fault":          {roles: intakers, depot: ownUnit},
	"GET /faults/:search":              {roles: everyone, depot: ownRows},
	"POST /faults/:search":             {roles: intakers, depot: ownRows},
	"GET /faults/:search/sheet":        {roles: everyone, depot: ownRows},
	"GET /faults/:search/sheet.pdf":    {roles: everyone, depot: ownRows},
	"POST /faults/:search/back":        {roles: intakers, depot: ownRows},
	"POST /faults/:search/end":         {roles: intakers, depot: ownRows},
	"POST /faults/:search/resume":      {roles: intakers, depot: ownRows},
	"POST /faults/:search/job":         {roles: intakers, depot: ownRows},
	"GET /intake":                      {roles: intakers, depot: ownRows},
	"GET /intake/kept-apart.csv":       {roles: intakers, depot: ownRows},
	"GET /intake/imports/:import":      {roles: intakers, depot: ownRows},
	"GET /intake/rows/:row":            {roles: intakers, depot: ownRows},
	"POST /intake/rows/:row":           {roles: intakers, depot: ownRows},
	"POST /intake/rows/:row/set-aside": {roles: intakers, depot: ownRows},
	"POST /intake/rows/:row/put-back":  {roles: intakers, depot: ownRows},
	"GET /intake/alike":                {roles: intakers, depot: ownRows},
	"POST /intake/alike":               {roles: intakers, depot: ownRows},
	"POST /intake/files":               {roles: intakers, depot: ownBatch},
	"GET /intake/settled":              {roles: intakers, depot: ownRows},
	"GET /intake/silent":               {roles: intakers, depot: ownRows},
	"GET /intake/silent.csv":           {roles: intakers, depot: ownRows},
	"GET /intake/odd":                  {roles: intakers, depot: ownRows},

	"GET /ledger":                         {roles: accounting, depot: ownRows},
	"GET /ledger.pdf":                     {roles: accounting, depot: ownRows},
	"GET /ledger/entries":                 {roles: accounting, depot: ownRows},
	"GET /ledger/entries.csv":             {roles: accounting, depot: ownRows},
	"GET /ledger/entries.xlsx":            {roles: accounting, depot: ownRows},
	"GET /ledger/budget":                  {roles: accounting, depot: ownRows},
	"GET /ledger/budget.svg":              {roles: accounting, depot: ownRows},
	"GET /ledger/budget.csv":              {roles: accounting, depot: ownRows},
	"GET /ledger/budget.xlsx":             {roles: accounting, depot: ownRows},
	"POST /ledger/budget":                 {roles: bookkeepers, depot: ownRows},
	"GET /ledger/pays":                    {roles: accounting, depot: ownRows},
	"GET /ledger/pays.csv":                {roles: accounting, depot: ownRows},
	"GET /ledger/owed":                    {roles: accounting, depot: ownRows},
	"GET /ledger/owed.csv":                {roles: accounting, depot: ownRows},
	"POST /ledger/owed/core":              {roles: bookkeepers, depot: ownRows},
	"GET /ledger/claims/new":              {roles: bookkeepers, depot: ownRows},
	"POST /ledger/claims":                 {roles: bookkeepers, depot: ownRows},
	"GET /ledger/claims/:claim":           {roles: accounting, depot: ownRows},
	"POST /ledger/claims/:claim":          {roles: bookkeepers, depot: ownRows},
	"GET /ledger/claims/:claim/sheet.pdf": {roles: accounting, depot: ownRows},
	"GET /ledger/stock":                   {roles: accounting, depot: ownRows},
	"GET /ledger/unbooked":                {roles: accounting, depot: ownRows},
	"GET /ledger/prices":                  {roles: accounting}, // price lists are the whole fleet's
	"POST /ledger/prices":                 {roles: bookkeepers},
	"GET /ledger/prices.csv":              {roles: accounting},
	"POST /ledger/prices/file":            {roles: bookkeepers},
	"GET /ledger/bills":                   {roles: accounting, depot: ownRows},
	"POST /ledger/bills":                  {roles: bookkeepers, depot: ownRows},
	"POST /ledger/bills/:bill/take-back":  {roles: bookkeepers, depot: ownRows},
	"GET /ledger/close":                   {roles: accounting, depot: ownRows},
	"POST /ledger/close":                  {roles: bookkeepers, depot: ownRows},
	"POST /ledger/book":                   {roles: bookkeepers, depot: ownRows},
	"GET /ledger/figures":                 {roles: accounting},
	"POST /ledger/figures":                {roles: bookkeepers, depot: ownRows},

	"GET /settings":                               {roles: everyone, depot: ownRows},
	"GET /settings/account":                       {roles: everyone},
	"POST /settings/account":                      {roles: everyone},
	"POST /settings/account/password":             {roles: everyone},
	"POST /settings/account/sign-out-elsewhere":   {roles: everyone},
	"POST /settings/account/put-back":             {roles: everyone},
	"GET /settings/schedules":                     {roles: planners, depot: ownRows},
	"GET /settings/add-schedule":                  {roles: planners, depot: ownRows},
	"POST /settings/add-schedule":                 {roles: planners, depot: ownRows},
	"GET /settings/schedules/:schedule":           {roles: planners, depot: ownRows},
	"POST /settings/schedules/:schedule":          {roles: planners, depot: ownRows},
	"POST /settings/schedules/:schedule/pause":    {roles: planners, depot: ownRows},
	"POST /settings/schedules/:schedule/resume":   {roles: planners, depot: ownRows},
	"POST /settings/schedules/:schedule/send-now": {roles: planners, depot: ownRows},
	"POST /settings/schedules/:schedule/put-back": {roles: planners, depot: ownRows},
	"GET /settings/schedules/:schedule/remove":    {roles: planners, depot: ownRows},
	"POST /settings/schedules/:schedule/remove":   {roles: planners, depot: ownRows},
	"GET /settings/letters":                       {roles: planners, depot: ownRows},
	"POST /settings/letters/:letter/retry":        {roles: planners, depot: ownRows},
	"GET /settings/people":                        {roles: keepers},
	"GET /settings/add-person":                    {roles: keepers},
	"POST /settings/add-person":                   {roles: keepers},
	"GET /settings/people/:person":                {roles: keepers},
	"POST /settings/people/:person":               {roles: keepers},
	"GET /settings/people/:person/password":       {roles: keepers},
	"POST /settings/people/:person/password":      {roles: keepers},
	"GET /settings/people/:person/disable":        {roles: keepers},
	"POST /settings/people/:person/disable":       {roles: keepers},
	"POST /settings/people/:person/enable":        {roles: keepers},
	"GET /settings/tokens":                        {roles: keepers},
	"POST /settings/tokens":                       {roles: keepers},
	"GET /settings/tokens/:token/revoke":          {roles: keepers},
	"POST /settings/tokens/:token/revoke":         {roles: keepers},

	"GET " + benchShell:                {open: true, blind: true},
	"GET " + benchWorker:               {open: true, blind: true},
	"GET " + benchPath:                 {roles: intakers, phone: true, depot: ownRows},
	"GET /bench/unit":                  {roles: intakers, phone: true, depot: ownRows},
	"POST /bench/unit":                 {roles: intakers, phone: true, depot: ownBatch},
	"GET " + benchTests:                {roles: intakers, phone: true, depot: ownRows},
	"POST " + benchTests:               {roles: intakers, phone: true, depot: ownBatch},
	"GET /bench/tests/:entry":          {roles: intakers, phone: true, depot: ownRows},
	"POST /bench/tests/:entry":         {roles: intakers, phone: true, depot: ownBatch},
	"GET /bench/facts":                 {roles: intakers, phone: true, depot: ownRows},
	"POST /bench/let-go":               {roles: intakers, phone: true, depot: ownRows},
	"POST /bench/keep":                 {roles: intakers, depot: ownRows},
	"GET /bench/phones":                {roles: intakers, depot: ownRows},
	"POST /bench/phones/:phone/let-go": {roles: intakers, depot: ownRows},
	"GET /bench/labels":                {roles: intakers, depot: ownRows},
	"GET /bench/labels.pdf":            {roles: intakers, depot: ownRows},

	"POST /api/v1/fault":                         {roles: everyone, token: fleet.FindFaults}, // keeps nothing and reads nothing
	"POST /api/v1/faults":                        {roles: intakers, token: fleet.FindFaults, depot: ownRows},
	"GET /api/v1/faults/:search":                 {roles: everyone, token: fleet.FindFaults, depot: ownRows},
	"POST /api/v1/faults/:search/answers":        {roles: intakers, token: fleet.FindFaults, depot: ownRows},
	"DELETE /api/v1/faults/:search/answers/last": {roles: intakers, token: fleet.FindFaults, depot: ownRows},

	"GET /api/v1/winter-list": {roles: everyone, token: fleet.ReadList, depot: ownRows},
	"POST /api/v1/readings":   {token: fleet.BringReadings, depot: ownBatch},
}

func ruleOf(method, path string) (rule, bool) {
	if method == "HEAD" {
		method = "GET"
	}
	r, ok := rights[method+" "+path]
	return r, ok
}

// mayOpen tells whether people of a role may open a page; menus show no others.
func mayOpen(role fleet.Role, path string) bool {
	r, ok := ruleOf("GET", path)
	return ok && (r.open || slices.Contains(r.roles, role))
}

// MayOpen tells whether people of a role may open a page, and so may have by mail what it shows.
func MayOpen(role fleet.Role, page string) bool { return mayOpen(role, page) }

// viewer is who asks: a person who is signed in, or the holder of a token.
type viewer struct {
	person fleet.Person // empty with a token
	token  fleet.Token  // empty with a person
	phone  string       // name of the kept phone by which the person is let in; empty: they are signed in
}

// depots are those that the viewer may see: nil means all, empty means none.
func (v viewer) depots() []fleet.DepotID {
	switch {
	case v.person.Name != "" && v.person.AllDepots, v.token.Name != "" && v.token.Depot == "":
		return nil
	case v.token.Name != "":
		return []fleet.DepotID{v.token.Depot}
	}
	return append([]fleet.DepotID{}, v.person.Depots...)
}

func (v viewer) maySee(depot fleet.DepotID) bool {
	own := v.depots()
	return own == nil || slices.Contains(own, depot)
}

const viewerKey = "viewer"

func viewerOf(c echo.Context) viewer {
	v, _ := c.Get(viewerKey).(viewer)
	return v
}

// authorise lets a request through to its handler only as the table of rights says.
func (s *Server) authorise(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		if c.Path() == "" { // the router found nothing, which next says
			return next(c)
		}
		r, ok := ruleOf(c.Request().Method, c.Path())
		if !ok {
			if !s.registered(c.Request().Method, c.Path()) {
				return next(c) // which says that the path is not for this method
			}
			return errForbidden
		}
		v, err := s.whoAsks(c, r)
		if err != nil {
			return err
		}
		c.Set(viewerKey, v)
		switch {
		case r.open:
			return next(c)
		case v.token.Name != "":
			if r.token == "" || v.token.Use != r.token {
				return errForbidden
			}
		case v.person.Name == "" && len(r.roles) == 0:
			return errToken
		case v.person.Name == "":
			return errSignIn
		case !slices.Contains(r.roles, v.person.Role):
			return errForbidden
		}
		if r.depot == ownUnit {
			if err := s.checkUnit(c, v); err != nil {
				return err
			}
		}
		return next(c)
	}
}

func (s *Server) registered(method, path string) bool {
	return slices.ContainsFunc(s.echo.Routes(), func(r *echo.Route) bool { return r.Method == method && r.Path == path })
}

func (s *Server) checkUnit(c echo.Context, v viewer) error {
	unit, err := unitParam(c)
	if err != nil {
		return err
	}
	depot, found, err := s.store.UnitDepot(c.Request().Context(), unit)
	if err != nil {
		return err
	}
	if !found || !v.maySee(depot) {
		return noSuchUnit(unit)
	}
	return nil
}
