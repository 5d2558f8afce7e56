package main

import (
	"errors"
	"fmt"
	"log/slog"
	"net/url"
	"os"
	"strings"
	"time"

	"lensledger/services/access"
)

// signOnFlags say how people sign in on the pages, and for how long.
type signOnFlags struct {
	PublicURL    string        `env:"LENSLEDGER_PUBLIC_URL" help:"Address at which people reach the pages, https://HOST[:PORT]. With https their cookies go over TLS only."`
	Provider     string        `name:"sign-on-issuer" env:"LENSLEDGER_SIGN_ON_ISSUER" help:"OpenID provider at which people sign in, as it calls itself. Without it they sign in with a token."`
	ClientID     string        `name:"sign-on-client" env:"LENSLEDGER_SIGN_ON_CLIENT" help:"Client id of this service at the provider."`
	SecretFile   string        `name:"sign-on-secret-file" env:"LENSLEDGER_SIGN_ON_SECRET_FILE" help:"File with the client secret. Without it this is a public client."`
	Scopes       []string      `name:"sign-on-scopes" env:"LENSLEDGER_SIGN_ON_SCOPES" help:"Scopes to ask for beside openid, where the provider gives the claims for one."`
	SessionIdle  time.Duration `env:"LENSLEDGER_SESSION_IDLE" default:"1h" help:"A session ends when it isn't used for so long."`
	SessionLimit time.Duration `env:"LENSLEDGER_SESSION_LIMIT" default:"12h" help:"A session ends so long after the sign-in, used or not."`
}

// signOn is nil where no provider is set.
func (f *signOnFlags) signOn() (*access.SignOn, error) {
	if f.PublicURL != "" {
		public, err := url.Parse(f.PublicURL)
		if err != nil || public.Host == "" || public.Scheme != "https" && public.Scheme != "http" || strings.Trim(public.Path, "/") != "" {
			return nil, fmt.Errorf("public URL %s: allowed is https://HOST[:PORT]", f.PublicURL)
		}
		f.PublicURL = public.Scheme + "://" + public.Host
	}
	if f.Provider == "" {
		if f.ClientID != "" || f.SecretFile != "" {
			return nil, errors.New("a client of which sign-on service? Give --sign-on-issuer too")
		}
		return nil, nil
	}
	var secret string
	if f.SecretFile != "" {
		text, err := os.ReadFile(f.SecretFile)
		if err != nil {
			return nil, fmt.Errorf("read the client secret: %w", err)
		}
		if secret = strings.TrimSpace(string(text)); secret == "" {
			return nil, fmt.Errorf("read the client secret: %s is empty", f.SecretFile)
		}
	}
	return access.NewSignOn(access.SignOnConfig{Issuer: f.Provider, ClientID: f.ClientID, ClientSecret: secret, Scopes: f.Scopes,
		PublicURL: f.PublicURL, Logger: slog.Default()})
}

func (f *signOnFlags) sessions() access.SessionConfig {
	return access.SessionConfig{Idle: f.SessionIdle, Limit: f.SessionLimit, Secure: strings.HasPrefix(f.PublicURL, "https:")}
}
