package browsing

import (
	"bytes"
	"image"
	"image/color"
	"image/draw"
	"image/png"
	"os"
	"path/filepath"
	"testing"

	"github.com/chromedp/chromedp"
)

// maxPicture bounds a picture, in bytes.
const maxPicture = 100_000

// TestTakePictures writes the pictures of docs/pages.md into the folder that
// PICTURES names: make screenshots. Every number in them is the demo's.
func TestTakePictures(t *testing.T) {
	dir := os.Getenv("PICTURES")
	if dir == "" {
		t.Skip("PICTURES names no folder: make screenshots takes the pictures")
	}
	s := demo(t)
	for _, p := range []struct {
		name, persona, path, from string // from is the selector that the picture begins at
		how                       how
		height                    int64
	}{
		{"department.png", "quality", "/departments/HARBOUR?" + period, "", how{Width: 1000}, 760},
		{"error-histogram.png", "quality", "/departments/HARBOUR?" + period, "figure[data-drawing=error-histogram]", how{Width: 900}, 440},
		{"double-angle-dark.png", "quality", "/departments/HARBOUR/lenses?" + period, "figure[data-drawing=double-angle]", how{Width: 700, Dark: true}, 640},
		{"alarms.png", "quality", "/alarms", "", how{Width: 1000}, 700},
		{"charts.png", "trainee", "/my/charts", "", how{Width: 1000}, 760},
		{"progress.png", "trainee", "/my/progress", "", how{Width: 1000}, 760},
		{"small-screen.png", "trainee", "/my/progress", "", how{Width: 320}, 640},
		{"reviews.png", "trainer", "/my/reviews", "", how{Width: 1000}, 600},
		{"figures.png", "auditor", "/figures?" + period, "", how{Width: 1000}, 700},
		{"intake.png", "integrator", "/intake", "", how{Width: 1000}, 600},
	} {
		b := s.browse(t, p.how)
		b.SignIn(p.persona)
		b.Goto(p.path)
		b.Until(`document.fonts.status === "loaded"`)
		b.Do(chromedp.EmulateViewport(p.how.Width, p.height))
		if p.from != "" {
			b.Until(`document.querySelector("` + p.from + `")?.dataset.state === "drawn"`)
			eval[bool](b, `document.querySelector("`+p.from+`").scrollIntoView(), true`)
		}
		b.picture(filepath.Join(dir, p.name))
	}
	// Charts that the pages above may not show, on one page, each drawn from the API.
	b := s.browse(t, how{Width: 900})
	b.SignIn("trainee")
	b.Goto("/my/progress")
	code := answer[runAnswer](b, "/v1/surgeons/S-014/charts").Charts[1].Cases[0].Case
	for _, f := range []struct {
		kind, source string
		height       int64
	}{{"run", "/v1/surgeons/S-014/charts#unplanned-takeover/detection", 700}, {"step-times", "/v1/surgeons/S-014/progress#capsulorhexis", 340},
		{"timeline", "/v1/cases/" + code + "/stage", 720}} {
		b.Do(chromedp.EmulateViewport(900, f.height))
		eval[bool](b, `document.querySelector("`+b.figure(f.kind, f.source)+` .drawn").scrollIntoView(), true`)
		b.picture(filepath.Join(dir, f.kind+".png"))
	}
	quality := s.browse(t, how{Width: 900})
	quality.SignIn("quality")
	quality.Goto("/departments/HARBOUR/funnel?" + period)
	quality.Do(chromedp.EmulateViewport(900, 480))
	eval[bool](quality, `document.querySelector("`+quality.figure("funnel", "/v1/funnels/unplanned-takeover?by=department&"+period)+` .drawn").scrollIntoView(), true`)
	quality.picture(filepath.Join(dir, "funnel.png"))
}

// picture writes what the browser shows, in a palette of grey levels and the page's
// own few colours, which keeps it small.
func (b *browser) picture(file string) {
	b.t.Helper()
	shown, err := png.Decode(bytes.NewReader(run(b, chromedp.CaptureScreenshot())))
	if err != nil {
		b.t.Fatal(err)
	}
	small := image.NewPaletted(shown.Bounds(), paletteOf(shown))
	draw.Draw(small, small.Bounds(), shown, shown.Bounds().Min, draw.Src)
	var out bytes.Buffer
	if err := (&png.Encoder{CompressionLevel: png.BestCompression}).Encode(&out, small); err != nil {
		b.t.Fatal(err)
	}
	if out.Len() > maxPicture {
		b.t.Errorf("%s: %d bytes, more than %d", file, out.Len(), maxPicture)
	}
	if err := os.WriteFile(file, out.Bytes(), 0o644); err != nil {
		b.t.Fatal(err)
	}
}

// paletteOf holds the commonest colours of a picture.
func paletteOf(m image.Image) color.Palette {
	count := map[color.RGBA]int{}
	for y := m.Bounds().Min.Y; y < m.Bounds().Max.Y; y++ {
		for x := m.Bounds().Min.X; x < m.Bounds().Max.X; x++ {
			c := color.RGBAModel.Convert(m.At(x, y)).(color.RGBA)
			c.R, c.G, c.B = c.R&^7, c.G&^7, c.B&^7
			count[c]++
		}
	}
	var out color.Palette
	for len(out) < 48 && len(count) > 0 {
		var most color.RGBA
		n := 0
		for c, k := range count {
			if k > n || k == n && before(c, most) {
				most, n = c, k
			}
		}
		delete(count, most)
		out = append(out, most)
	}
	return out
}

func before(a, b color.RGBA) bool {
	return uint32(a.R)<<16|uint32(a.G)<<8|uint32(a.B) < uint32(b.R)<<16|uint32(b.G)<<8|uint32(b.B)
}
