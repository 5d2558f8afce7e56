package browsing

import (
	"regexp"
	"strings"
	"testing"
)

// pages are a person's pages, as the links on the first page lead to them; of those
// that differ by a surgeon or a department alone, the first.
func (b *browser) pages() []string {
	b.Goto("/")
	hrefs := eval[[]string](b, `[...document.querySelectorAll("main dl.questions a")].map(a => a.getAttribute("href"))`)
	pages := []string{"/"}
	known := map[string]bool{}
	for _, href := range hrefs {
		path, query, _ := strings.Cut(href, "?")
		kind := department.ReplaceAllString(path, "/departments/") + "?" + value.ReplaceAllString(query, "")
		if !known[kind] {
			known[kind] = true
			pages = append(pages, href)
		}
	}
	return pages
}

var (
	department = regexp.MustCompile(`^/departments/[^/]+`)
	value      = regexp.MustCompile(`=[^&]*`)
)

// pageWeight is the most that a page may weigh, in kB as the browser gets it: what a
// ward's slow line still takes.
const pageWeight = 60

// Every page that a role is led to is light, accessible, fits a small screen,
// prints, and says who asks and the caution.
func TestEveryPage(t *testing.T) {
	s := demo(t)
	for _, persona := range []string{"integrator", "trainer", "trainee", "quality", "auditor", "administrator"} {
		t.Run(persona, func(t *testing.T) {
			t.Parallel() // they read, and nothing here writes meanwhile
			b := s.browse(t, how{Width: 320})
			b.SignIn(persona)
			pages := b.pages()
			if len(pages) < 2 {
				t.Fatalf("%s is led nowhere", persona)
			}
			for _, path := range pages {
				b.Goto(path)
				b.See("h1")
				kb := b.weight()
				t.Logf("%-50s %6.1f kB", path, kb)
				if kb > pageWeight {
					t.Errorf("%s: %.1f kB, more than %d", path, kb, pageWeight)
				}
				b.Accessible()
				b.Fits()
				if status := eval[int](b, `performance.getEntriesByType("navigation")[0].responseStatus`); status != 200 {
					t.Errorf("%s: %d", path, status)
				}
				who, caution := b.See(".who"), b.See("footer")
				if who == "" || caution == "" {
					t.Errorf("%s says who %q, caution %q", path, who, caution)
				}
				if n := b.Print(); n < 1 {
					t.Errorf("%s prints %d pages", path, n)
				}
			}
		})
	}
}

// weight is a page's bytes as the browser got them, in kB.
func (b *browser) weight() float64 {
	return eval[float64](b, `performance.getEntriesByType("navigation")[0].encodedBodySize / 1000`)
}
