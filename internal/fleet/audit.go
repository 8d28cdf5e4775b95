package fleet

import (
	"encoding/json"
	"time"
)

// KeptAudit is the audit of one past season as it is kept: of one depot's units, or of the whole fleet's.
type KeptAudit struct {
	Season  Season
	Depot   DepotID // empty: the whole fleet
	AsOf    Date    // of the list that was judged
	KnownTo Date    // the last day of which all that was in was looked at
	MadeAt  time.Time
	Result  json.RawMessage // alerts.AuditResult
}
