package fleet

import "time"

// Role is what a person does, and so what they may see and do.
type Role string

// The roles.
const (
	Manager       Role = "manager"
	Mechanic      Role = "mechanic"
	Accountant    Role = "accountant"
	Reader        Role = "reader"
	Administrator Role = "administrator"
)

// Roles lists all roles.
func Roles() [5]Role { return [5]Role{Manager, Mechanic, Accountant, Reader, Administrator} }

// Person can sign in.
type Person struct {
	Name         string // sign-in name, lower case
	FullName     string
	Email        string
	Role         Role
	AllDepots    bool
	Depots       []DepotID // unless AllDepots
	PasswordHash string    // argon2id, PHC string format
	Disabled     bool

	// SessionsEnded counts how often the person has ended their sign-ins; those from before open nothing.
	SessionsEnded int
}

// MaySee tells whether the person may see what belongs to a depot.
func (p Person) MaySee(depot DepotID) bool {
	if p.AllDepots {
		return true
	}
	for _, d := range p.Depots {
		if d == depot {
			return true
		}
	}
	return false
}

// DepotKeys are the depots that the person may see, unless all, as text.
func (p Person) DepotKeys() []string {
	keys := make([]string, len(p.Depots))
	for i, d := range p.Depots {
		keys[i] = string(d)
	}
	return keys
}

// TryLimit is how many tries to sign in may fail before the next is turned away unheard.
type TryLimit struct {
	Window     time.Duration
	PerName    int // under one name from one address
	PerAddress int // from one address, whatever the names
}

// TokenUse is the one thing that a token is good for, so that what a logger carries cannot read the fleet's figures.
type TokenUse string

// The uses.
const (
	BringReadings TokenUse = "readings" // POST readings
	ReadList      TokenUse = "list"     // GET the ranked list, tonight and the jobs
	FindFaults    TokenUse = "faults"   // look for faults of units
)

// Token lets a logger or a program in without a person. The token itself is never stored, only its SHA-256.
type Token struct {
	Name       string
	Use        TokenUse
	Depot      DepotID // empty: all depots
	CreatedAt  time.Time
	LastUsedAt time.Time // zero: never
	Revoked    bool
}
