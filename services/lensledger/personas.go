package main

import (
	"encoding/json"
	"fmt"
	"os"

	"lensledger/services/access"
	"lensledger/services/portal"
)

// personas are the demo's invented people, one for each role.
var personas = []portal.Persona{
	{Name: "integrator", Role: string(access.Integrator), Words: "publishes events from the record system of HARBOUR"},
	{Name: "trainer", Role: string(access.Trainer), Words: "consultant C-01 of HARBOUR, who teaches S-009 to S-020"},
	{Name: "trainee", Role: string(access.Trainee), Words: "trainee S-014 of HARBOUR"},
	{Name: "quality", Role: string(access.Quality), Words: "quality officer of HARBOUR"},
	{Name: "auditor", Role: string(access.Auditor), Words: "auditor of all three departments"},
	{Name: "administrator", Role: string(access.Administrator), Words: "runs the service, sees no clinical row"},
}

// actors are what the personas' tokens say.
var actors = map[string]access.Actor{
	"integrator": {Subject: "demo-integrator", Role: access.Integrator, Source: "ehr-harbour", Departments: []string{"HARBOUR"}},
	"trainer": {Subject: "demo-trainer", Role: access.Trainer, Surgeon: "C-01", Departments: []string{"HARBOUR"},
		Supervises: []string{"S-009", "S-010", "S-011", "S-012", "S-013", "S-014", "S-015", "S-016", "S-017", "S-018", "S-019", "S-020"}},
	"trainee":       {Subject: "demo-trainee", Role: access.Trainee, Surgeon: "S-014"},
	"quality":       {Subject: "demo-quality", Role: access.Quality, Departments: []string{"HARBOUR"}},
	"auditor":       {Subject: "demo-auditor", Role: access.Auditor, Departments: []string{"HARBOUR", "MOORLAND", "FENLAND"}},
	"administrator": {Subject: "demo-administrator", Role: access.Administrator},
}

func personaToken(issuer *access.DevIssuer) func(string) (string, error) {
	return func(name string) (string, error) {
		actor, ok := actors[name]
		if !ok {
			return "", fmt.Errorf("no invented person is called %q", name)
		}
		return issuer.Token(actor)
	}
}

// writePersonas leaves one bearer token for each persona, for the owner alone.
func writePersonas(path string, issuer *access.DevIssuer) error {
	tokens := map[string]string{}
	for name, actor := range actors {
		token, err := issuer.Token(actor)
		if err != nil {
			return err
		}
		tokens[name] = token
	}
	out, err := json.MarshalIndent(tokens, "", "  ")
	if err != nil {
		return err
	}
	if err := os.WriteFile(path, append(out, '\n'), 0o600); err != nil {
		return fmt.Errorf("write the personas' tokens: %w", err)
	}
	return nil
}
