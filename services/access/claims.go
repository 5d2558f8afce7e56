package access

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"regexp"
	"strings"
)

// members is a JSON object with its names exactly as written.
type members map[string]json.RawMessage

// parseMembers reads one JSON object and refuses a name that comes twice: two
// readers of such an object may each believe another value.
func parseMembers(data []byte) (members, error) {
	decoder := json.NewDecoder(bytes.NewReader(data))
	if start, err := decoder.Token(); err != nil || start != json.Delim('{') {
		return nil, errors.New("not a JSON object")
	}
	out := members{}
	for decoder.More() {
		name, err := decoder.Token()
		if err != nil {
			return nil, errors.New("not a JSON object")
		}
		key := name.(string) // a name is always a string, the decoder sees to it
		if _, twice := out[key]; twice {
			return nil, errors.New("a member comes twice")
		}
		var value json.RawMessage
		if err := decoder.Decode(&value); err != nil {
			return nil, errors.New("not a JSON object")
		}
		out[key] = value
	}
	if _, err := decoder.Token(); err != nil { // the closing brace
		return nil, errors.New("not a JSON object")
	}
	if _, err := decoder.Token(); err != io.EOF {
		return nil, errors.New("something follows the JSON object")
	}
	return out, nil
}

// knownClaims are the claims that decide anything. The JSON reader of the
// standard library also fills a field from a name in other letters, so a token
// with "ROLE" or "Exp" is refused rather than read in two ways.
var knownClaims = map[string]bool{
	"iss": true, "sub": true, "aud": true, "exp": true, "nbf": true, "iat": true,
	"role": true, "surgeon": true, "supervises": true, "departments": true, "source": true,
	"_claim_names": true, "_claim_sources": true, "nonce": true, "azp": true,
}

func (m members) checkNames() error {
	for name := range m {
		lower := strings.ToLower(name)
		if knownClaims[lower] && name != lower {
			return errors.New("a claim is spelt in other letters")
		}
		if strings.HasPrefix(lower, "_claim_") {
			return errors.New("distributed claims aren't taken")
		}
	}
	return nil
}

func (m members) text(name string) (string, error) {
	raw, ok := m[name]
	if !ok {
		return "", nil
	}
	var s *string
	if err := json.Unmarshal(raw, &s); err != nil || s == nil {
		return "", fmt.Errorf("claim %s isn't text", name)
	}
	return *s, nil
}

var code = regexp.MustCompile(`^[A-Za-z0-9_-]{1,40}$`)

func (m members) code(name string) (string, error) {
	s, err := m.text(name)
	if err == nil && s != "" && !code.MatchString(s) {
		err = fmt.Errorf("claim %s isn't a code", name)
	}
	return s, err
}

// maxCodes bounds a claim that lists codes.
const maxCodes = 500

func (m members) codes(name string) ([]string, error) {
	raw, ok := m[name]
	if !ok {
		return nil, nil
	}
	var list []*string
	if err := json.Unmarshal(raw, &list); err != nil || list == nil {
		return nil, fmt.Errorf("claim %s isn't a list of codes", name)
	}
	if len(list) > maxCodes {
		return nil, fmt.Errorf("claim %s lists over %d codes", name, maxCodes)
	}
	out := make([]string, len(list))
	for i, s := range list {
		if s == nil || !code.MatchString(*s) {
			return nil, fmt.Errorf("claim %s isn't a list of codes", name)
		}
		out[i] = *s
	}
	return out, nil
}

// need says what a role does with a claim.
type need int

const (
	ignored need = iota // of no meaning for the role, so it never reaches the actor
	optional
	required
)

// claimsOf says which claims give a role its scope.
var claimsOf = map[Role]struct{ surgeon, supervises, departments, source need }{
	Integrator:    {departments: required, source: required},
	Trainer:       {surgeon: required, supervises: optional, departments: optional},
	Trainee:       {surgeon: required},
	Quality:       {departments: required},
	Auditor:       {departments: required},
	Administrator: {},
}

// actorOf reads the actor out of the claims of a verified token.
func actorOf(claims members) (Actor, error) {
	var a Actor
	var errs [6]error
	var role string
	a.Subject, errs[0] = claims.text("sub")
	role, errs[1] = claims.text("role")
	a.Surgeon, errs[2] = claims.code("surgeon")
	a.Supervises, errs[3] = claims.codes("supervises")
	a.Departments, errs[4] = claims.codes("departments")
	a.Source, errs[5] = claims.code("source")
	if err := errors.Join(errs[:]...); err != nil {
		return Actor{}, err
	}
	if a.Subject == "" || len(a.Subject) > 255 {
		return Actor{}, errors.New("claim sub is missing or too long")
	}
	a.Role = Role(role)
	needs, ok := claimsOf[a.Role]
	if !ok {
		return Actor{}, errors.New("claim role is missing or unknown")
	}
	if a.Source == DeskSource {
		return Actor{}, errors.New("claim source is reserved")
	}
	for _, c := range []struct {
		name  string
		need  need
		given bool
		drop  func()
	}{
		{"surgeon", needs.surgeon, a.Surgeon != "", func() { a.Surgeon = "" }},
		{"supervises", needs.supervises, len(a.Supervises) > 0, func() { a.Supervises = nil }},
		{"departments", needs.departments, len(a.Departments) > 0, func() { a.Departments = nil }},
		{"source", needs.source, a.Source != "", func() { a.Source = "" }},
	} {
		switch {
		case c.need == required && !c.given:
			return Actor{}, fmt.Errorf("claim %s is missing for this role", c.name)
		case c.need == ignored:
			c.drop()
		}
	}
	return a, nil
}

// claims are the claims that make the actor: actorOf of them is the actor again.
func (a Actor) claims() map[string]any {
	claims := map[string]any{"sub": a.Subject, "role": a.Role}
	if a.Surgeon != "" {
		claims["surgeon"] = a.Surgeon
	}
	if a.Source != "" {
		claims["source"] = a.Source
	}
	if len(a.Supervises) > 0 {
		claims["supervises"] = a.Supervises
	}
	if len(a.Departments) > 0 {
		claims["departments"] = a.Departments
	}
	return claims
}
