package browsing

import "testing"

// everyone's pages, as their links on the first page lead to them.
func (b *browser) pages() []string {
	b.Goto("/")
	hrefs := eval[[]string](b, `[...document.querySelectorAll("main dl.questions a")].map(a => a.getAttribute("href"))`)
	return append([]string{"/"}, hrefs...)
}

// Every page that a role is led to is accessible, fits a small screen, prints,
// and says who asks and the caution.
func TestEveryPage(t *testing.T) {
	s := demo(t)
	for _, persona := range []string{"integrator", "trainer", "trainee", "quality", "auditor", "administrator"} {
		t.Run(persona, func(t *testing.T) {
			b := s.browse(t, how{Width: 320})
			b.SignIn(persona)
			pages := b.pages()
			if len(pages) < 2 {
				t.Fatalf("%s is led nowhere", persona)
			}
			if len(pages) > 8 {
				pages = pages[:8] // a trainer's trainees have the same page
			}
			for _, path := range pages {
				b.Goto(path)
				b.See("h1")
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

// What each page weighs; the bound is what a ward's slow line still takes.
func TestPagesAreLight(t *testing.T) {
	s := demo(t)
	for _, persona := range []string{"integrator", "trainer", "trainee", "quality", "auditor"} {
		b := s.browse(t, how{})
		b.SignIn(persona)
		for i, path := range b.pages() {
			if i > 8 {
				break
			}
			b.Goto(path)
			kb := b.weight()
			t.Logf("%-12s %-50s %6.1f kB", persona, path, kb)
			if kb > 60 {
				t.Errorf("%s as %s: %.1f kB, more than 60", path, persona, kb)
			}
		}
	}
}
