package browsing

import (
	"encoding/json"
	"fmt"
	"net/url"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
)

// period covers the shared demo's operations.
const period = "from=2024-01&to=2024-12"

// figure is a chart's place in a page, as templates make it, put into the page that
// is open; the page's own script reads and draws it.
func (b *browser) figure(kind, source string) string {
	b.t.Helper()
	id := "drawn-" + kind
	eval[bool](b, fmt.Sprintf(`(async () => {
		document.getElementById(%[1]s)?.remove();
		const f = document.createElement("figure");
		f.id = %[1]s; f.className = "drawing"; f.dataset.drawing = %[2]s; f.dataset.source = %[3]s;
		f.innerHTML = "<figcaption>What it shows</figcaption><details><summary>The same as a table</summary><table><caption>t</caption><tr><th scope=col>a</th></tr></table></details>";
		document.querySelector("main").append(f);
		await (await import(document.querySelector("script[data-charts]").dataset.charts)).draw(f);
		f.scrollIntoView();
		return true;
	})()`, quoted(id), quoted(kind), quoted(source)))
	if state := eval[string](b, `document.getElementById(`+quoted(id)+`).dataset.state`); state != "drawn" {
		b.t.Fatalf("%s of %s is %s: %s", kind, source, state, eval[string](b, `document.getElementById(`+quoted(id)+`).innerText`))
	}
	return "#" + id
}

// marks counts what a selector finds inside a figure.
func (b *browser) marks(figure, selector string) int {
	b.t.Helper()
	return eval[int](b, fmt.Sprintf(`document.querySelectorAll(%s).length`, quoted(figure+" "+selector)))
}

// answer is the API's, as a person's browser gets it by its session.
func answer[T any](b *browser, source string) T {
	b.t.Helper()
	address, _, _ := strings.Cut(source, "#")
	var out T
	text := eval[string](b, fmt.Sprintf(`fetch(%s).then(r => r.text())`, quoted(address)))
	if err := json.Unmarshal([]byte(text), &out); err != nil {
		b.t.Fatalf("%s: %v\n%.300s", source, err, text)
	}
	return out
}

type runAnswer struct {
	Charts []struct {
		Chart, Outcome, Kind string
		Cases                []struct {
			Case    string
			Outcome int
		}
	}
}

// Each kind of drawing has the marks that the API's answer asks for.
func TestDrawings(t *testing.T) {
	s := demo(t)
	b := s.browse(t, how{})
	b.SignIn("trainee")
	b.Goto("/my/progress")

	charts := "/v1/surgeons/S-014/charts"
	drawn := answer[runAnswer](b, charts).Charts
	takeover := drawn[1]
	events := 0
	for _, c := range takeover.Cases {
		events += c.Outcome
	}
	if len(takeover.Cases) < 5 || events == 0 {
		t.Fatalf("the demo's chart of %s has %d cases and %d events: too few to test with", takeover.Outcome, len(takeover.Cases), events)
	}
	f := b.figure("run", charts+"#"+takeover.Chart)
	b.counts(f, ".marks a", len(takeover.Cases))
	b.counts(f, ".event circle", events)
	b.counts(f, "svg", 2)
	b.counts(f, ".marks a[tabindex='0']", 1)
	first := takeover.Cases[0].Case
	if got := eval[string](b, `document.querySelector("`+f+` .marks a").getAttribute("href")`); got != "/cases/"+url.PathEscape(first) {
		t.Errorf("the first mark leads to %s, not to %s", got, first)
	}
	if text := eval[string](b, `document.querySelector("`+f+` svg").textContent`); !strings.Contains(text, "line 4.03") {
		t.Errorf("the line isn't named: %q", text)
	}
	small := b.figure("small-run", charts+"#"+takeover.Chart)
	b.counts(small, "svg", 1)
	b.counts(small, ".marks", 0)

	progress := answer[struct {
		Steps []struct {
			Step  string
			Times struct{ Bands []struct{} }
		}
	}](b, "/v1/surgeons/S-014/progress")
	bands, steps := 0, 0
	for _, step := range progress.Steps {
		bands += len(step.Times.Bands)
		if len(step.Times.Bands) > 0 {
			steps++
		}
	}
	f = b.figure("step-times", "/v1/surgeons/S-014/progress")
	b.counts(f, "svg", steps)
	b.counts(f, ".own circle", bands)

	stage := answer[struct{ Steps []struct{ Seconds *int } }](b, "/v1/cases/"+first+"/stage")
	timed := 0
	for _, step := range stage.Steps {
		if step.Seconds != nil {
			timed++
		}
	}
	f = b.figure("timeline", "/v1/cases/"+first+"/stage")
	b.counts(f, ".marks [data-key]", len(stage.Steps))
	b.counts(f, ".step rect", timed)
	b.Accessible()

	quality := s.browse(t, how{})
	quality.SignIn("quality")
	quality.Goto("/departments/HARBOUR?" + period)
	quality.Until(`document.querySelector("figure[data-drawing=error-histogram]")?.dataset.state === "drawn"`)
	classes := answer[struct {
		Refraction struct {
			N       int
			Classes []struct{ Count int } `json:"error_classes"`
			Within  struct{ Count int }   `json:"within_0_50_d"`
		}
	}](quality, "/v1/departments/HARBOUR/benchmarks?"+period).Refraction
	sum := 0
	for _, c := range classes.Classes {
		sum += c.Count
	}
	if sum != classes.N || sum == 0 {
		t.Errorf("the classes hold %d eyes of %d", sum, classes.N)
	}
	quality.counts("figure[data-drawing=error-histogram]", ".bar rect", len(classes.Classes))
	quality.Accessible()

	quality.Goto("/departments/HARBOUR/lenses?" + period)
	quality.Until(`document.querySelector("figure[data-drawing=double-angle]")?.dataset.state === "drawn"`)
	eyes := answer[struct{ Settled struct{ Points []struct{} } }](quality, "/v1/departments/HARBOUR/astigmatism?"+period).Settled.Points
	quality.counts("figure[data-source$='#settled']", ".eye circle", len(eyes))
	quality.counts("figure[data-source$='#settled']", ".centroid path", 1)
	quality.Accessible()

	funnel := "/v1/funnels/unplanned-takeover?by=department&" + period
	units := answer[struct {
		Funnel *struct {
			Points []struct{}
			Curve  []struct{}
		}
	}](quality, funnel).Funnel
	if units == nil || len(units.Points) == 0 {
		t.Fatal("the demo has no funnel of unplanned take-over")
	}
	f = quality.figure("funnel", funnel)
	quality.counts(f, ".marks [data-key]", len(units.Points))
	quality.counts(f, ".limit path", 4)
	quality.Accessible()
}

func (b *browser) counts(figure, selector string, want int) {
	b.t.Helper()
	if got := b.marks(figure, selector); got != want {
		b.t.Errorf("%s: %d of %q, want %d", figure, got, selector, want)
	}
}

// The cursor is one stop of the tab key; arrows move it, a visible line says what it
// is on, and Enter opens the case.
func TestChartCursor(t *testing.T) {
	s := demo(t)
	b := s.browse(t, how{})
	b.SignIn("trainee")
	b.Goto("/my/progress")
	charts := "/v1/surgeons/S-014/charts"
	cases := answer[runAnswer](b, charts).Charts[0].Cases
	f := b.figure("run", charts)
	on := func() string { return eval[string](b, `document.activeElement.getAttribute("aria-label") ?? ""`) }
	b.Do(chromedp.Focus(chromedp.CSS(f + ` .marks a[tabindex="0"]`)))
	if got, want := on(), "Case "+cases[len(cases)-1].Case; got != want {
		t.Fatalf("the cursor begins on %q, want %q", got, want)
	}
	b.Do(chromedp.KeyEvent("\u0302")) // ArrowLeft
	want := "Case " + cases[len(cases)-2].Case
	if got := on(); got != want {
		t.Errorf("one to the left is %q, want %q", got, want)
	}
	if said := b.See(f + " .readout"); !strings.HasPrefix(said, want+",") {
		t.Errorf("the line says %q", said)
	}
	if live := eval[string](b, `document.querySelector("`+f+` .readout").getAttribute("aria-live")`); live != "polite" {
		t.Errorf("the line is read out %q", live)
	}
	b.Do(chromedp.KeyEvent("\u0306")) // Home
	if got, want := on(), "Case "+cases[0].Case; got != want {
		t.Errorf("Home is %q, want %q", got, want)
	}
	b.counts(f, `.marks a[tabindex="0"]`, 1)
	b.Do(chromedp.KeyEvent("\r"))
	b.Do(chromedp.WaitNotPresent(chromedp.CSS(f)))
	b.See("h1")
	if at := b.Path(); at != "/cases/"+cases[0].Case {
		t.Errorf("Enter opens %s", at)
	}
}

// A drawing that can't be made leaves the words and the table, and says so.
func TestDrawingThatFails(t *testing.T) {
	s := demo(t)
	b := s.browse(t, how{})
	b.SignIn("trainee")
	b.Goto("/my/progress")
	eval[bool](b, `(async () => {
		const f = document.createElement("figure");
		f.id = "lost"; f.dataset.drawing = "run"; f.dataset.source = "/v1/surgeons/S-014/charts";
		f.innerHTML = "<figcaption>What it shows</figcaption><table><caption>t</caption><tr><th scope=col>a</th></tr></table>";
		document.querySelector("main").append(f);
		const charts = await import(document.querySelector("script[data-charts]").dataset.charts);
		const real = globalThis.fetch;
		globalThis.fetch = () => Promise.reject(new TypeError("no connection"));
		await charts.draw(f);
		globalThis.fetch = real;
		return true;
	})()`)
	if said := b.See("#lost .nothing"); !strings.Contains(said, "connection to the service is lost") || !strings.Contains(said, "table") {
		t.Errorf("it says %q", said)
	}
	b.See("#lost figcaption")
	b.See("#lost table")
}

// In the dark, on a small screen and on paper the drawings are there, and the page
// isn't wider than the screen.
func TestDrawingsDarkSmallAndPrinted(t *testing.T) {
	s := demo(t)
	b := s.browse(t, how{Dark: true, Width: 320})
	b.SignIn("quality")
	b.Goto("/departments/HARBOUR/lenses?" + period)
	b.Until(`[...document.querySelectorAll("figure[data-drawing]")].every(f => f.dataset.state === "drawn")`)
	b.Fits()
	b.Accessible()
	observed := func() string {
		return eval[string](b, `getComputedStyle(document.querySelector(".eye circle") ?? document.querySelector(".eye")).stroke`)
	}
	dark := observed()
	b.Do(command(emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: "print", Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: "light"}}}))
	if paper := observed(); paper == dark || paper != "rgb(0, 0, 0)" {
		t.Errorf("an eye is drawn %s on paper, %s in the dark", paper, dark)
	}
	for _, part := range []string{".who", ".as-of", "footer", "figure svg"} {
		if eval[float64](b, `document.querySelector("`+part+`").getBoundingClientRect().height`) == 0 {
			t.Errorf("%s isn't printed", part)
		}
	}
	if n := b.Print(); n < 1 || n > 12 {
		t.Errorf("it prints %d pages", n)
	}
}

// Without a script a figure has its words and its table, and hides nothing.
func TestFiguresWithoutScript(t *testing.T) {
	s := demo(t)
	b := s.browse(t, how{NoScript: true})
	b.SignIn("quality")
	b.Goto("/departments/HARBOUR?" + period)
	b.See("figure figcaption")
	b.Press("figure details summary")
	b.See("figure table")
}
