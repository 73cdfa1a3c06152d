package server

import (
	"crypto/rand"
	"crypto/subtle"
	"encoding/base64"
	"errors"
	"fmt"
	"strings"

	"golang.org/x/crypto/argon2"
)

// Cost of a password hash: the second recommended setting of RFC 9106 section 4 (64 MiB, three passes), with two lanes.
const (
	hashPasses  = 3
	hashMemory  = 64 * 1024 // KiB
	hashLanes   = 2
	hashKeyLen  = 32
	hashSaltLen = 16
	// shortestPassword follows NIST SP 800-63B section 5.1.1.2: length matters, rules of composition do not.
	shortestPassword = 10
)

// HashPassword makes the text form of an argon2id hash.
func HashPassword(password string) (string, error) {
	if len([]rune(password)) < shortestPassword {
		return "", fmt.Errorf("the password must have at least %d characters", shortestPassword)
	}
	if len(password) > 1000 {
		return "", errors.New("the password must have at most 1000 characters")
	}
	salt := make([]byte, hashSaltLen)
	if _, err := rand.Read(salt); err != nil {
		return "", err
	}
	key := argon2.IDKey([]byte(password), salt, hashPasses, hashMemory, hashLanes, hashKeyLen)
	enc := base64.RawStdEncoding
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, hashMemory, hashPasses, hashLanes,
		enc.EncodeToString(salt), enc.EncodeToString(key)), nil
}

// PasswordMatches compares in constant time; a hash that can't be read never matches.
func PasswordMatches(hash, password string) bool {
	parts := strings.Split(hash, "$")
	if len(parts) != 6 || parts[1] != "argon2id" || len(password) > 1000 {
		return false
	}
	var version int
	var memory, passes uint32
	var lanes uint8
	if _, err := fmt.Sscanf(parts[2], "v=%d", &version); err != nil || version != argon2.Version {
		return false
	}
	if _, err := fmt.Sscanf(parts[3], "m=%d,t=%d,p=%d", &memory, &passes, &lanes); err != nil || memory > 1<<20 || passes < 1 || passes > 100 || lanes < 1 {
		return false
	}
	salt, err := base64.RawStdEncoding.DecodeString(parts[4])
	if err != nil {
		return false
	}
	want, err := base64.RawStdEncoding.DecodeString(parts[5])
	if err != nil || len(want) == 0 {
		return false
	}
	got := argon2.IDKey([]byte(password), salt, passes, memory, lanes, uint32(len(want)))
	return subtle.ConstantTimeCompare(got, want) == 1
}
