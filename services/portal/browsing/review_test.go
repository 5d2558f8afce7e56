package browsing

import (
	"bytes"
	"context"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

// keyboard uses a page by keys alone, and counts what would be clicks for somebody
// with a mouse: every key that does something. Going from field to field isn't.
type keyboard struct {
	*browser
	did int
}

// To goes on with the tab key until the focus is where a selector says.
func (k *keyboard) To(selector string) {
	k.t.Helper()
	for range 300 {
		if eval[bool](k.browser, fmt.Sprintf(`document.activeElement.matches(%s)`, quoted(selector))) {
			return
		}
		k.Do(chromedp.KeyEvent(kb.Tab))
	}
	k.t.Fatalf("%s: the tab key doesn't reach %s", k.Path(), selector)
}

// Keys presses keys, each of which does something.
func (k *keyboard) Keys(keys ...string) {
	k.t.Helper()
	for _, key := range keys {
		k.did++
		k.Do(chromedp.KeyEvent(key))
	}
}

// Player presses one of the player's letters. A key that a page takes for itself
// types nothing, and this is the event without its character.
func (k *keyboard) Player(letters ...string) {
	k.t.Helper()
	for _, letter := range letters {
		k.did++
		for _, kind := range []input.DispatchKeyEventType{input.DispatchKeyEventTypeRawKeyDown, input.DispatchKeyEventTypeKeyUp} {
			k.Do(command(input.DispatchKeyEvent, input.DispatchKeyEventParams{Type: kind, Key: letter, Code: "Key" + strings.ToUpper(letter)}))
		}
	}
}

// Await waits until an expression is true. Asking while the page changes fails, and
// is asked again.
func (k *keyboard) Await(expression string) {
	k.t.Helper()
	ctx, cancel := context.WithTimeout(k.ctx, patience)
	defer cancel()
	again := time.NewTicker(20 * time.Millisecond)
	defer again.Stop()
	for {
		is, err := chromedp.Run(ctx, chromedp.Evaluate[bool](expression))
		if is && err == nil {
			return
		}
		select {
		case <-ctx.Done():
			k.t.Fatalf("%s isn't so: %v", expression, err)
		case <-again.C:
		}
	}
}

// Arrive waits for words on the page that a key leads to.
func (k *keyboard) Arrive(words string) {
	k.t.Helper()
	k.Await(fmt.Sprintf(`document.querySelector("main")?.innerText.includes(%s) ?? false`, quoted(words)))
}

// Write types text into the field that has the focus.
func (k *keyboard) Write(text string) {
	k.t.Helper()
	k.Do(chromedp.KeyEvent(text))
}

// aVideo makes a small video in the browser: two seconds of a drawn number that
// counts. It gives the name of its file.
func aVideo(t *testing.T, b *browser) (path string, content []byte) {
	t.Helper()
	text := eval[string](b, `(async () => {
		const canvas = document.createElement("canvas");
		[canvas.width, canvas.height] = [64, 48];
		const paint = canvas.getContext("2d");
		const recorder = new MediaRecorder(canvas.captureStream(20), {mimeType: "video/webm"});
		const parts = [];
		recorder.ondataavailable = (e) => parts.push(e.data);
		const ended = new Promise((done) => { recorder.onstop = done; });
		recorder.start();
		const began = performance.now();
		while (performance.now() - began < 2000) {
			paint.fillStyle = "#"+(Math.floor(performance.now()) % 4096).toString(16).padStart(3, "0");
			paint.fillRect(0, 0, 64, 48);
			await new Promise((next) => { setTimeout(next, 40); });
		}
		recorder.stop();
		await ended;
		const bytes = new Uint8Array(await new Blob(parts).arrayBuffer());
		return btoa(String.fromCharCode(...bytes));
	})()`)
	content, err := base64.StdEncoding.DecodeString(text)
	if err != nil || len(content) < 1000 {
		t.Fatalf("a video of %d bytes, %v", len(content), err)
	}
	path = filepath.Join(t.TempDir(), "operation.webm")
	if err := os.WriteFile(path, content, 0o600); err != nil {
		t.Fatal(err)
	}
	return path, content
}

// bodies keeps what the browser sends.
type bodies struct {
	mu   sync.Mutex
	sent [][]byte
}

func (s *bodies) hear(event any) {
	e, ok := event.(*network.EventRequestWillBeSent)
	if !ok || !e.Request.HasPostData {
		return
	}
	var body []byte
	for _, part := range e.Request.PostDataEntries {
		body = append(body, part.Bytes...)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.sent = append(s.sent, body)
}

// waitingOf lists a surgeon's cases without a review, latest first, by the API.
func waitingOf(t *testing.T, s *site, surgeon string) []string {
	t.Helper()
	var list struct {
		Waiting []struct {
			Case, Surgeon string
			Discussion    []string
		}
	}
	if err := json.Unmarshal(s.API(t, "trainer", http.MethodGet, "/v1/reviews?waiting=true&since=2024-01-01&limit=500", ""), &list); err != nil {
		t.Fatal(err)
	}
	var out []string
	for _, w := range list.Waiting {
		if w.Surgeon == surgeon {
			out = append(out, w.Case)
		}
	}
	if len(out) < 2 {
		t.Fatalf("%d cases of %s wait for a review, want 2", len(out), surgeon)
	}
	return out
}

// start is when an operation began, on the clock of its department.
func startOf(t *testing.T, s *site, code string) time.Time {
	t.Helper()
	var record struct {
		StartedAt time.Time `json:"started_at"`
	}
	if err := json.Unmarshal(s.API(t, "trainer", http.MethodGet, "/v1/cases/"+code, ""), &record); err != nil {
		t.Fatal(err)
	}
	if record.StartedAt.IsZero() {
		t.Fatalf("case %s has no start", code)
	}
	return record.StartedAt
}

// A trainer goes from signing in to a case, marks its recording and reviews it, by
// keys alone; the video stays where it is, and the trainee reads what was said.
func TestTrainerReviewsACaseByKeys(t *testing.T) {
	s := demo(t)
	code := waitingOf(t, s, "S-014")[0]
	var sent bodies
	k := &keyboard{browser: s.browse(t, how{})}
	if err := chromedp.Listen(k.ctx, sent.hear); err != nil {
		t.Fatal(err)
	}
	k.Goto("/")
	k.To(`button[value="trainer"]`)
	k.Write(kb.Enter)
	k.Arrive("What would you like to know?")
	k.To(`main a[href="/my/reviews"]`)
	k.Keys(kb.Enter)
	k.Arrive("Waiting for a review")
	k.Accessible()
	k.To(fmt.Sprintf(`main a[href="/cases/%s"]`, code))
	k.Keys(kb.Enter)
	k.Arrive("What was said last time")
	k.Accessible()

	k.To(fmt.Sprintf(`main a[href="/cases/%s/recording"]`, code))
	clicks := k.did
	k.Write(kb.Enter)
	k.Arrive("stays on this machine")
	k.Accessible()
	video := k.marks(t, startOf(t, s, code))
	k.did = clicks // the recording is a task of its own

	k.To(fmt.Sprintf(`main a[href="/cases/%s"]`, code))
	k.Keys(kb.Enter)
	k.Arrive("Record a review of this case")
	began := time.Now()
	k.To(`a[href="#reviews"]`)
	k.Keys(kb.Enter)
	k.To("#at-this-stage")
	k.Keys(kb.ArrowDown, kb.ArrowDown)
	k.To("#strength-steady-hands")
	k.Keys(" ")
	k.To("#improve-edge-lost")
	k.Keys(" ")
	k.To("#agreed-action")
	k.Write("Trace the edge before each pull")
	k.To("#supervision-next")
	k.Keys(kb.ArrowDown, kb.ArrowDown)
	k.To(`form[action$="/reviews"] button[type="submit"]`)
	k.Keys(kb.Enter)
	k.Arrive("Your review is recorded.")
	if took := time.Since(began); k.did > 10+3 || took > 3*time.Minute {
		t.Errorf("the review took %d clicks from the list on, of which 3 led to it, and %s", k.did, took)
	}

	// Nothing that the browser sent holds the video, or is as long as it.
	sent.mu.Lock()
	defer sent.mu.Unlock()
	if len(sent.sent) < 3 {
		t.Errorf("%d requests with a body were seen, want signing in, marks and review", len(sent.sent))
	}
	for _, body := range sent.sent {
		if len(body) >= len(video) || bytes.Contains(body, video[:64]) {
			t.Errorf("a request of %d bytes was sent; the video has %d", len(body), len(video))
		}
	}

	b := &keyboard{browser: s.browse(t, how{Width: 320})}
	b.SignIn("trainee")
	b.Follow("Advice")
	b.Arrive("Case " + code)
	b.Arrive("agreed: Trace the edge before each pull")
	b.Arrive("steady-hands")
	b.Accessible()
	b.Fits()
	if n := b.Print(); n < 1 {
		t.Errorf("%d pages", n)
	}
}

// marks opens a video and marks it, reloads the page and finds the marks again,
// takes one out, and sends the others.
func (k *keyboard) marks(t *testing.T, started time.Time) (video []byte) {
	t.Helper()
	value := func(selector string) string {
		t.Helper()
		return eval[string](k.browser, fmt.Sprintf(`document.querySelector(%s).value`, quoted(selector)))
	}
	said := func(words string) {
		t.Helper()
		k.Await(fmt.Sprintf(`document.getElementById("said")?.textContent.includes(%s) ?? false`, quoted(words)))
	}
	path, video := aVideo(t, k.browser)
	// Its own dialog can't be driven; that the field can be reached is what there is to show.
	k.To("#file")
	k.Do(chromedp.SetUploadFiles(chromedp.CSS("#file"), []string{path}))
	said("The recording is open")
	if eval[bool](k.browser, `document.getElementById("file").name !== "" || document.getElementById("file").form !== null`) {
		t.Error("the video's field would be sent with a form")
	}
	if !eval[bool](k.browser, `document.activeElement.id === "deck" && document.getElementById("video").src.startsWith("blob:")`) {
		t.Error("the player hasn't the focus, or plays something else")
	}
	k.Player("p")
	k.Until(`!document.getElementById("video").paused || document.getElementById("video").ended`)
	k.Keys(kb.ArrowUp, kb.ArrowUp)
	if pace := eval[float64](k.browser, `document.getElementById("video").playbackRate`); pace != 1.5 {
		t.Errorf("a pace of %g, want 1.5", pace)
	}
	k.Until(`document.getElementById("video").ended`)
	k.Keys(kb.ArrowLeft)
	k.Until(`document.getElementById("video").currentTime === 0 && !document.getElementById("video").seeking`)

	k.Player("m")
	k.Write(started.Format("15:04:05") + kb.Enter)
	k.Player("n", "b")
	said("begins at 0:00")
	k.Player("w")
	k.Write("edge-lost" + kb.Enter)
	k.Keys(kb.ArrowRight)
	k.Until(`document.getElementById("video").currentTime > 1 && !document.getElementById("video").seeking`)
	k.Player("e")
	said("ends at 0:")
	k.Player("g")
	k.Write("steady-hands" + kb.Enter)
	k.Player("g")
	k.Write("by-mistake" + kb.Enter)
	step, end := value("#step-1"), value("#step-1-end")
	if step == "" || value("#step-1-start") != "0:00" || end == "" || value("#known-1-offset") != "0:00" || value("#point-1-step") != step {
		t.Errorf("step %q to %q, known %q, point in %q", step, end, value("#known-1-offset"), value("#point-1-step"))
	}
	k.Accessible()

	k.Do(chromedp.Reload())
	said("What you had typed before is here again")
	if value("#step-1") != step || value("#step-1-end") != end || value("#point-2") != "steady-hands" || value("#known-1-clock") != started.Format("15:04:05") {
		t.Errorf("after a reload: step %q to %q, point %q", value("#step-1"), value("#step-1-end"), value("#point-2"))
	}
	if kept := eval[string](k.browser, `JSON.stringify(sessionStorage)`); strings.Contains(kept, "webm") || len(kept) > 4000 {
		t.Errorf("the browser keeps %d characters: %.200s", len(kept), kept)
	}
	k.To(`button[aria-label="Remove row 3 of the teaching points"]`)
	k.Keys(kb.Enter)
	said("The row is removed.")
	k.To("#send")
	k.Keys(kb.Enter)
	k.Arrive("Your marks are recorded.")
	k.Await(`!Object.keys(sessionStorage).some((key) => key.startsWith("marks"))`)
	return video
}

// Without scripts the same form takes the same marks, typed by hand.
func TestMarksWithoutScript(t *testing.T) {
	s := demo(t)
	cases := waitingOf(t, s, "S-014")
	code := cases[len(cases)-1]
	b := s.browse(t, how{NoScript: true, Forgive: regexp.MustCompile("status of 422")})
	b.SignIn("trainer")
	path := "/cases/" + url.PathEscape(code) + "/recording"
	b.Goto(path)
	if text := b.See("main"); strings.Contains(text, "Open the recording") {
		t.Error("a player is offered that can't play")
	}
	// A value can't be set where no script runs; it is typed.
	enter := func(selector, keys string) {
		t.Helper()
		b.Do(chromedp.SendKeys(chromedp.CSS(selector), keys))
	}
	enter("#known-1-offset", "0:10")
	enter("#known-1-clock", startOf(t, s, code).Format("15:04:05"))
	free := run(b, chromedp.AttributeValue(chromedp.CSS("#step-1 option:nth-child(2)"), "value")).Value
	enter("#step-1", kb.ArrowDown)
	enter("#step-1-start", "0:10")
	enter("#step-1-end", "eleven")
	enter("#point-1", "edge-lost")
	enter("#point-1-at", "0:12.5")
	b.Press(`button[value="rows"]`)
	b.See("#step-7")
	b.Press("#send")
	if text := b.See(".problems"); !strings.Contains(text, "“eleven” isn't a place in the recording") {
		t.Errorf("it says %s", text)
	}
	enter("#step-1-end", kb.End+strings.Repeat(kb.Backspace, len("eleven"))+"0:40")
	b.Press("#send")
	if text := b.See(".notice[role=status]"); !strings.Contains(text, "Your marks are recorded.") {
		t.Errorf("it says %s", text)
	}
	var stage struct {
		Steps []struct {
			Step    string
			Seconds *int64
		}
	}
	if err := json.Unmarshal(s.API(t, "trainer", http.MethodGet, "/v1/cases/"+code+"/stage", ""), &stage); err != nil {
		t.Fatal(err)
	}
	if !slices.ContainsFunc(stage.Steps, func(x struct {
		Step    string
		Seconds *int64
	}) bool {
		return x.Step == free && x.Seconds != nil && *x.Seconds == 30
	}) {
		t.Errorf("%s of 30 s isn't among %+v", free, stage.Steps)
	}
}
