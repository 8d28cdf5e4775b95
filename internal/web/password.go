package web

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"errors"
	"fmt"
	"strings"

	"golang.org/x/crypto/argon2"

	"rimeyard/internal/fleet"
)

// The cost of a password: the second recommended option of RFC 9106 section 4 (3 passes, 4 lanes, 64 MiB, 128-bit salt,
// 256-bit tag), which lies above the least that the OWASP Password Storage Cheat Sheet asks for (2 passes, 19 MiB).
const (
	argonPasses    = 3
	argonMemoryKiB = 64 * 1024
	argonLanes     = 4
	argonSaltBytes = 16
	argonTagBytes  = 32
)

// MinPasswordLength is the least number of characters, from NIST SP 800-63B (rev. 4) section 3.1.1.2 for a password
// that is the only factor; the greatest keeps a request from hashing megabytes.
const (
	MinPasswordLength  = 15
	maxPasswordLength  = 1024
	maxHashesAtOnce    = 2
	maxArgonMemoryKiB  = 1 << 20
	maxArgonPasses     = 100
	generatedWordBytes = 15
)

// CheckPassword tells why a new password will not do.
func CheckPassword(password string) error {
	if n := len([]rune(password)); n < MinPasswordLength {
		return fmt.Errorf("the password has %d characters: want at least %d; a few unrelated words do well", n, MinPasswordLength)
	}
	if len(password) > maxPasswordLength {
		return fmt.Errorf("the password has %d bytes: want at most %d", len(password), maxPasswordLength)
	}
	return nil
}

// NewPassword makes up a password of 120 random bits.
func NewPassword() string {
	b := make([]byte, generatedWordBytes)
	_, _ = rand.Read(b) // never fails: crypto/rand ends the program rather
	return base64.RawURLEncoding.EncodeToString(b)
}

// HashPassword gives the PHC string of a password under a fresh salt.
func HashPassword(password string) string {
	salt := make([]byte, argonSaltBytes)
	_, _ = rand.Read(salt)
	tag := argon2.IDKey([]byte(password), salt, argonPasses, argonMemoryKiB, argonLanes, argonTagBytes)
	b64 := base64.RawStdEncoding
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, argonMemoryKiB, argonPasses, argonLanes,
		b64.EncodeToString(salt), b64.EncodeToString(tag))
}

// verifier checks passwords, a few at a time: each check takes 64 MiB, and a burst of sign-ins must not take them all.
type verifier struct {
	slots chan struct{}
	decoy string // for names that nobody has, so that they take as long as others
}

func newVerifier() *verifier {
	return &verifier{make(chan struct{}, maxHashesAtOnce), HashPassword(NewPassword())}
}

// matches tells whether password belongs to the PHC string; with an empty one it takes its time and says no.
func (v *verifier) matches(ctx context.Context, password, phc string) (bool, error) {
	select {
	case v.slots <- struct{}{}:
		defer func() { <-v.slots }()
	case <-ctx.Done():
		return false, ctx.Err()
	}
	known := phc != ""
	if !known {
		phc = v.decoy
	}
	h, err := parsePHC(phc)
	if err != nil {
		return false, err
	}
	tag := argon2.IDKey([]byte(password), h.salt, h.passes, h.memoryKiB, h.lanes, uint32(len(h.tag)))
	return subtle.ConstantTimeCompare(tag, h.tag) == 1 && known, nil
}

type argonHash struct {
	passes, memoryKiB uint32
	lanes             uint8
	salt, tag         []byte
}

var errPHC = errors.New("want an argon2id hash in PHC string format")

func parsePHC(s string) (h argonHash, err error) {
	fields := strings.Split(s, "$")
	if len(fields) != 6 || fields[0] != "" || fields[1] != "argon2id" || fields[2] != fmt.Sprintf("v=%d", argon2.Version) {
		return h, errPHC
	}
	if _, err := fmt.Sscanf(fields[3], "m=%d,t=%d,p=%d", &h.memoryKiB, &h.passes, &h.lanes); err != nil {
		return h, errPHC
	}
	if h.passes < 1 || h.passes > maxArgonPasses || h.lanes < 1 || h.memoryKiB < 8 || h.memoryKiB > maxArgonMemoryKiB {
		return h, errPHC
	}
	b64 := base64.RawStdEncoding.Strict()
	h.salt, err = b64.DecodeString(fields[4])
	if err != nil {
		return h, errPHC
	}
	h.tag, err = b64.DecodeString(fields[5])
	if err != nil || len(h.salt) < 8 || len(h.tag) < 16 {
		return h, errPHC
	}
	return h, nil
}

// fingerprint goes into a session in place of the password's hash: when the password changes, or the person ends their
// sessions, older ones open nothing.
func fingerprint(p fleet.Person) string {
	sum := sha256.Sum256(fmt.Appendf(nil, "%s %d", p.PasswordHash, p.SessionsEnded))
	return base64.RawStdEncoding.EncodeToString(sum[:])
}

const tokenPrefix = "rimeyard_" // lets people and scanners of leaked secrets tell what it is

// NewToken makes up an API token of 256 random bits and the SHA-256 under which it is kept. A fast hash will do, as
// nobody guesses 256 bits.
func NewToken() (token string, hash [32]byte) {
	b := make([]byte, 32)
	_, _ = rand.Read(b)
	token = tokenPrefix + base64.RawURLEncoding.EncodeToString(b)
	return token, hashToken(token)
}

func hashToken(token string) [32]byte { return sha256.Sum256([]byte(token)) }
