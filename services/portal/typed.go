package portal

import (
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"html/template"
	"maps"
	"net/http"
	"slices"
	"strings"

	"lensledger/services/access"
	"lensledger/services/web"
)

// typedBy is the field in which a form says for whom it was made. What somebody
// typed is stored under their name only: a form that lay open while the session
// ended, or while somebody else signed in, is shown again first.
const typedBy = "typed_by"

// unknownTypist stands in a form of which it isn't known who filled it in.
const unknownTypist = "unknown"

// markOf tells one person's forms from another's; empty for nobody. It isn't a
// secret: who may do what is checked elsewhere.
func markOf(a access.Actor) string {
	if a.Role == "" {
		return ""
	}
	sum := sha256.Sum256([]byte(string(a.Role) + "\x00" + a.Subject))
	return base64.RawURLEncoding.EncodeToString(sum[:12])
}

// openingForm is how the templates begin a form that changes something.
var openingForm = []byte(`<form method="post" action="`)

// markForms puts the mark of who asks into every form of a page that changes
// something. It is done here so that no template can forget it. Text of others
// can't look like a form: the templates escape it.
func markForms(page []byte, mark string) []byte {
	if mark == "" || !bytes.Contains(page, openingForm) {
		return page
	}
	var out bytes.Buffer
	for {
		before, rest, found := bytes.Cut(page, openingForm)
		out.Write(before)
		if !found {
			return out.Bytes()
		}
		address, after, _ := bytes.Cut(rest, []byte(">"))
		out.Write(openingForm)
		out.Write(address)
		out.WriteByte('>')
		if !bytes.HasPrefix(address, []byte("/sign-")) && !bytes.Contains(after[:min(len(after), 400)], []byte(`name="`+typedBy+`"`)) {
			out.WriteString(`<input type="hidden" name="` + typedBy + `" value="` + template.HTMLEscapeString(mark) + `"/>`)
		}
		page = after
	}
}

// againView is a form that sends once more what was sent.
type againView struct {
	Action string
	Fields []fieldView
	Button string
}

type fieldView struct{ Name, Value string }

// mechanical are the fields of forms that nobody types.
var mechanical = map[string]bool{typedBy: true, "form": true, "opened_at": true}

// typed gives what a form holds, to be sent again, and what of it to show. Both are
// empty for what is no form, or can't be read. mark is who typed it, if that is known.
func typed(r *http.Request, mark string) (fields []fieldView, shown []factView) {
	if r.Method != http.MethodPost || isSigning(r) || r.ParseForm() != nil {
		return nil, nil
	}
	if mark == "" {
		mark = unknownTypist
		if given := r.PostForm[typedBy]; len(given) == 1 && given[0] != "" {
			mark = given[0]
		}
	}
	fields = []fieldView{{typedBy, mark}}
	for _, name := range slices.Sorted(maps.Keys(r.PostForm)) {
		for _, value := range r.PostForm[name] {
			if name == typedBy {
				continue
			}
			fields = append(fields, fieldView{name, value})
			if !mechanical[name] && strings.TrimSpace(value) != "" {
				shown = append(shown, factView{sentence(strings.NewReplacer("_", " ", "-", " ").Replace(name)), value})
			}
		}
	}
	return fields, shown
}

// isSigning says whether a form signs in or out: a token isn't shown again, and
// nothing is stored under anybody's name.
func isSigning(r *http.Request) bool {
	route := web.RouteTemplate(r)
	return route == "/sign-in" || route == "/sign-out"
}

// signsForAnother answers a form that somebody else filled in, or that was sent
// after a sign-in by nobody knows whom: it says who would sign.
func (s *Service) signsForAnother(w http.ResponseWriter, r *http.Request, actor access.Actor) bool {
	if r.Method != http.MethodPost || isSigning(r) {
		return false
	}
	given, mark := r.PostForm[typedBy], markOf(actor)
	if len(given) == 0 || len(given) == 1 && given[0] == mark {
		return false
	}
	view := failureView{frame: s.frame(r.Context(), actor, "Who signs this?", nil),
		Message: "Nothing is stored yet. This was typed before you signed in, perhaps by somebody else. You are here as: " + who(actor) +
			". If you send it now, it is stored under your name. If it isn't yours, leave this page, and let who typed it sign in and do it again."}
	var fields []fieldView
	fields, view.Typed = typed(r, mark)
	view.Again = &againView{r.URL.RequestURI(), fields, "Send it as " + who(actor)}
	if err := s.render(w, http.StatusConflict, "failure", view); err != nil {
		web.WriteError(w, r, err)
	}
	return true
}
