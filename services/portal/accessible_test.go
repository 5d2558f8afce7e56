package portal

import (
	"bytes"
	"encoding/xml"
	"errors"
	"io"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// element is a part of a page, as a strict XML reader sees it: the pages are
// written so that every element is closed.
type element struct {
	name     string
	attr     map[string]string
	children []*element
	own      strings.Builder // text inside, but for that of children
}

func parsePage(t *testing.T, page []byte) *element {
	t.Helper()
	decoder := xml.NewDecoder(bytes.NewReader(page))
	root := &element{name: "page"}
	stack := []*element{root}
	for {
		token, err := decoder.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatalf("not well-formed near byte %d: %v", decoder.InputOffset(), err)
		}
		switch token := token.(type) {
		case xml.StartElement:
			e := &element{name: token.Name.Local, attr: map[string]string{}}
			for _, a := range token.Attr {
				e.attr[a.Name.Local] = a.Value
			}
			parent := stack[len(stack)-1]
			parent.children = append(parent.children, e)
			stack = append(stack, e)
		case xml.EndElement:
			stack = stack[:len(stack)-1]
		case xml.CharData:
			stack[len(stack)-1].own.Write(token)
		}
	}
	return root
}

// text is all text inside, that of children last.
func (e *element) text() string {
	var out strings.Builder
	out.WriteString(e.own.String())
	for _, c := range e.children {
		out.WriteString(c.text())
	}
	return out.String()
}

func (e *element) all(names ...string) []*element {
	var out []*element
	for _, c := range e.children {
		if slices.Contains(names, c.name) {
			out = append(out, c)
		}
		out = append(out, c.all(names...)...)
	}
	return out
}

var heading = regexp.MustCompile(`^h[1-6]$`)

func (e *element) headings() []*element {
	return e.all("h1", "h2", "h3", "h4", "h5", "h6")
}

// checkPage holds a page against what readers with a screen reader, with a
// keyboard or without colours need, and against the content security policy.
func checkPage(t *testing.T, page []byte) {
	t.Helper()
	if !bytes.HasPrefix(page, []byte("<!DOCTYPE html>")) {
		t.Error("no doctype")
	}
	root := parsePage(t, page)
	if htmls := root.all("html"); len(htmls) != 1 || htmls[0].attr["lang"] != "en" {
		t.Error("no language")
	}
	if titles := root.all("title"); len(titles) != 1 || strings.TrimSpace(titles[0].text()) == "" {
		t.Error("no title")
	}
	if !strings.Contains(root.text(), caution) {
		t.Error("no caution")
	}
	checkIdentity(t, root)
	checkHeadings(t, root)
	checkTables(t, root)
	checkForms(t, root)
	checkPolicy(t, root)
}

// checkIdentity wants each id once, and something behind each link into the page.
func checkIdentity(t *testing.T, root *element) {
	t.Helper()
	ids := map[string]bool{}
	var walk func(*element)
	walk = func(e *element) {
		if id := e.attr["id"]; id != "" {
			if ids[id] {
				t.Errorf("id %q twice", id)
			}
			ids[id] = true
		}
		for _, c := range e.children {
			walk(c)
		}
	}
	walk(root)
	if !ids["main"] {
		t.Error("the skip link leads nowhere")
	}
	for _, a := range root.all("a") {
		if strings.TrimSpace(a.text()) == "" {
			t.Errorf("a link without words to %s", a.attr["href"])
		}
		if target, ok := strings.CutPrefix(a.attr["href"], "#"); ok && !ids[target] {
			t.Errorf("a link to #%s leads nowhere", target)
		}
	}
	for _, s := range root.all("section") {
		if !ids[s.attr["aria-labelledby"]] {
			t.Error("a section without a name")
		}
	}
	for _, region := range root.all("div", "nav") {
		if (region.name == "nav" || region.attr["role"] == "region") && region.attr["aria-label"] == "" {
			t.Error("a region without a name")
		}
	}
}

// checkHeadings wants one h1 and no level left out.
func checkHeadings(t *testing.T, root *element) {
	t.Helper()
	if n := len(root.all("h1")); n != 1 {
		t.Errorf("%d headings of level 1", n)
	}
	last := byte('1')
	for _, h := range root.headings() {
		level := h.name[1]
		if !heading.MatchString(h.name) || level > last+1 {
			t.Errorf("heading %q of level %c follows one of level %c", h.text(), level, last)
		}
		last = level
	}
}

// checkTables wants a caption first, a scope in every header cell, and rows as
// wide as the head.
func checkTables(t *testing.T, root *element) {
	t.Helper()
	for _, table := range root.all("table") {
		if len(table.children) == 0 || table.children[0].name != "caption" || strings.TrimSpace(table.children[0].text()) == "" {
			t.Error("a table without a caption")
			continue
		}
		caption := table.children[0].text()
		for _, th := range table.all("th") {
			if th.attr["scope"] != "col" && th.attr["scope"] != "row" {
				t.Errorf("table %q: a header cell without a scope", caption)
			}
			if strings.TrimSpace(th.text()) == "" {
				t.Errorf("table %q: an empty header cell", caption)
			}
		}
		wide := 0
		for _, tr := range table.all("tr") {
			if wide == 0 {
				wide = len(tr.children)
			}
			if len(tr.children) != wide {
				t.Errorf("table %q: a row of %d cells under a head of %d", caption, len(tr.children), wide)
			}
		}
	}
}

// checkForms wants a label for each field and words on each button.
func checkForms(t *testing.T, root *element) {
	t.Helper()
	labelled := map[string]bool{}
	for _, l := range root.all("label") {
		if strings.TrimSpace(l.text()) == "" {
			t.Error("a label without words")
		}
		labelled[l.attr["for"]] = true
	}
	for _, field := range root.all("input", "select", "textarea") {
		if field.attr["type"] != "hidden" && !labelled[field.attr["id"]] {
			t.Errorf("field %q without a label", field.attr["name"])
		}
	}
	for _, b := range root.all("button") {
		if strings.TrimSpace(b.text()) == "" || b.attr["type"] != "submit" {
			t.Error("a button without words or type")
		}
	}
	for _, f := range root.all("form") {
		if !strings.HasPrefix(f.attr["action"], "/") || (f.attr["method"] != "get" && f.attr["method"] != "post") {
			t.Errorf("a form to %q by %q", f.attr["action"], f.attr["method"])
		}
	}
}

// checkPolicy wants nothing that default-src 'none' with own files would block, and
// no link away but to the sign-on service, where signing out leads.
func checkPolicy(t *testing.T, root *element) {
	t.Helper()
	if len(root.all("script", "style", "iframe", "object", "embed")) > 0 {
		t.Error("an element that the content security policy blocks")
	}
	var walk func(*element)
	walk = func(e *element) {
		for name, value := range e.attr {
			if name == "style" || strings.HasPrefix(name, "on") || ((name == "href" || name == "src") && strings.Contains(value, "//") && !(e.name == "a" && strings.HasPrefix(value, "https://login.example/"))) {
				t.Errorf("<%s %s=%q>", e.name, name, value)
			}
		}
		for _, c := range e.children {
			walk(c)
		}
	}
	walk(root)
}

// Nothing on a page is red, and text stands out from its ground (WCAG 2.2, 1.4.3:
// 4.5 to 1) in both colour schemes and in print.
func TestStyle(t *testing.T) {
	css, err := os.ReadFile("assets/style.css")
	if err != nil {
		t.Fatal(err)
	}
	for _, banned := range []string{"url(", "@import", "@font-face", "red", "!important"} {
		if bytes.Contains(bytes.ReplaceAll(css, []byte("prefers-reduced"), nil), []byte(banned)) {
			t.Errorf("the style sheet holds %q", banned)
		}
	}
	for _, wanted := range []string{"prefers-color-scheme: dark", "@media print", "tabular-nums", "system-ui", ":focus-visible"} {
		if !bytes.Contains(css, []byte(wanted)) {
			t.Errorf("the style sheet lacks %q", wanted)
		}
	}
	schemes := regexp.MustCompile(`(?s):root \{[^}]*\}`).FindAllString(string(css), -1)
	if len(schemes) != 3 {
		t.Fatalf("%d colour schemes, want light, dark and print", len(schemes))
	}
	for _, scheme := range schemes {
		colour := map[string]rgb{}
		for _, m := range regexp.MustCompile(`--(\w+): (#[0-9a-f]{3,6});`).FindAllStringSubmatch(scheme, -1) {
			colour[m[1]] = parseColour(t, m[2])
			if c := colour[m[1]]; c[0] > 0.6 && c[1] < 0.2 && c[2] < 0.2 {
				t.Errorf("--%s is red", m[1])
			}
		}
		for _, ink := range []string{"ink", "quiet", "link"} {
			for _, ground := range []string{"paper", "shade"} {
				if got := contrast(colour[ink], colour[ground]); got < 4.5 {
					t.Errorf("--%s on --%s: contrast %.2f\n%s", ink, ground, got, scheme)
				}
			}
		}
	}
}
