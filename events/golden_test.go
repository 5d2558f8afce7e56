package events

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

var update = flag.Bool("update", false, "rewrite the derived golden files, the schemas and docs/events.md; review what it rewrote")

const goldenFolder = "../testdata/events"

// golden is a structured event as a publisher may write it. Beside it stand its
// canonical form, its hash, and the same event in binary form.
type golden struct{ name, body string }

func goldens(t testing.TB) []golden {
	t.Helper()
	paths, err := filepath.Glob(filepath.Join(goldenFolder, "*.json"))
	if err != nil {
		t.Fatal(err)
	}
	var out []golden
	for _, path := range paths {
		name := strings.TrimSuffix(filepath.Base(path), ".json")
		if strings.HasSuffix(name, ".schema") {
			continue
		}
		body, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, golden{name, string(body)})
	}
	if len(out) == 0 {
		t.Fatal("no golden events")
	}
	return out
}

// compareGolden compares got with a file, or rewrites the file with -update.
func compareGolden(t *testing.T, path string, got []byte) {
	t.Helper()
	if *update {
		if err := os.WriteFile(path, got, 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		gotLines, wantLines := strings.Split(string(got), "\n"), strings.Split(string(want), "\n")
		for i := range min(len(gotLines), len(wantLines)) {
			if gotLines[i] != wantLines[i] {
				t.Fatalf("%s differs in line %d (-update rewrites it)\ngot  %s\nwant %s", path, i+1, gotLines[i], wantLines[i])
			}
		}
		t.Errorf("%s has another number of lines (-update rewrites it)", path)
	}
}

// The first canonical files and hashes were made by a program in another
// language, with that language's JSON, decimal and SHA-256 libraries.
func TestGoldenEvents(t *testing.T) {
	for _, g := range goldens(t) {
		t.Run(g.name, func(t *testing.T) {
			e := decoded(t, g.body)
			base := filepath.Join(goldenFolder, g.name)
			canonical := e.Canonical()
			compareGolden(t, base+".canonical", canonical)
			sum := sha256.Sum256(canonical)
			if e.Hash() != sum {
				t.Errorf("hash %s is not that of the canonical form", e.Hash())
			}
			compareGolden(t, base+".sha256", []byte(hex.EncodeToString(sum[:])+"\n"))

			header, body := e.EncodeBinary()
			compareGolden(t, base+".binary", binaryText(header, body))
			for form, again := range map[string]func() (Event, []Problem){
				"structured":         func() (Event, []Problem) { return DecodeStructured(e.Encode()) },
				"canonical":          func() (Event, []Problem) { return DecodeStructured(canonical) },
				"binary":             func() (Event, []Problem) { return Decode(header, body) },
				"by content type":    func() (Event, []Problem) { return Decode(Header{"Content-Type": {ContentTypeEvent}}, e.Encode()) },
				"without any header": func() (Event, []Problem) { return Decode(nil, e.Encode()) },
			} {
				got, problems := again()
				if len(problems) > 0 {
					t.Errorf("%s: %v", form, problems)
				} else if got.Hash() != e.Hash() || !got.Time.Equal(e.Time) {
					t.Errorf("%s: %s", form, got.Canonical())
				}
			}
		})
	}
}

func binaryText(header Header, body []byte) []byte {
	var lines []string
	for name, values := range header {
		lines = append(lines, fmt.Sprintf("%s: %s\n", name, values[0]))
	}
	slices.Sort(lines)
	return []byte(strings.Join(lines, "") + "\n" + string(body) + "\n")
}

// Each type has a golden event, which decodes to its payload, and a schema.
func TestCatalogue(t *testing.T) {
	byType := map[Type]int{}
	for _, g := range goldens(t) {
		e := decoded(t, g.body)
		byType[e.Type]++
		if !strings.HasPrefix(g.name, string(e.Type)) {
			t.Errorf("%s holds a %s", g.name, e.Type)
		}
	}
	for _, entry := range Catalogue {
		if _, err := os.Stat(filepath.Join(goldenFolder, string(entry.Type)+".json")); err != nil {
			t.Errorf("no golden event: %v", err)
		}
		if byType[entry.Type] == 0 {
			t.Errorf("%s: no golden event", entry.Type)
		}
		if got, ok := Lookup(entry.Type); !ok || got.Payload != entry.Payload {
			t.Errorf("Lookup(%s) = %v, %v", entry.Type, got, ok)
		}
		noun, participle, version, ok := entry.Type.Parts()
		if back := fmt.Sprintf("lensledger.%s.%s.v%d", noun, participle, version); !ok || back != string(entry.Type) {
			t.Errorf("Parts(%s) = %s", entry.Type, back)
		}
		schema, ok := Schema(entry.Type)
		if !ok {
			t.Fatalf("no schema of %s", entry.Type)
		}
		// An added field is a new version: what the schema says of a version never changes.
		compareGolden(t, filepath.Join(goldenFolder, string(entry.Type)+".schema.json"), schema)
	}
	if _, ok := Schema("lensledger.case.booked.v2"); ok {
		t.Error("a schema of an unknown version")
	}
}

func TestRareValuesAreStored(t *testing.T) {
	read := func(name string) Event {
		body, err := os.ReadFile(filepath.Join(goldenFolder, name))
		if err != nil {
			t.Fatal(err)
		}
		return decoded(t, string(body))
	}
	zero := read("lensledger.lens.implanted.v1.zero-power.json").Data.(*LensImplanted)
	if zero.PowerD != Some(Hundredths(0)) {
		t.Errorf("power 0: %v", zero.PowerD)
	}
	negative := read("lensledger.lens.implanted.v1.negative-power.json").Data.(*LensImplanted)
	if negative.PowerD != Some(Hundredths(-975)) || negative.AxisDeg.Known {
		t.Errorf("power -9.75: %v", negative)
	}
	long := read("lensledger.preop.assessed.v1.long-eye.json")
	if d := long.Data.(*PreopAssessed); d.AxialLengthUM != Some(int64(35000)) || d.Glaucoma != Unknown || d.PreviousRefractiveSurgery != Yes {
		t.Errorf("35 mm: %v", d)
	}
	if len(long.Confirmations()) == 0 {
		t.Error("35 mm: nothing to confirm")
	}
}

func TestTypeParts(t *testing.T) {
	for _, bad := range []Type{"", "lensledger", "lensledger.case.booked", "lensledger.case.booked.1", "lensledger.case.booked.v",
		"lensledger.case.booked.v0", "lensledger.case.booked.v01", "lensledger.case.booked.v1.1", "lensledger.case.booked.v1x",
		"lensledger..booked.v1", "lensledger.Case.booked.v1", "other.case.booked.v1", "lensledger.case.booked.v9999999"} {
		if _, _, _, ok := bad.Parts(); ok {
			t.Errorf("Parts(%q) is ok", bad)
		}
	}
	if noun, participle, version, ok := Type("lensledger.lens.implanted.v12").Parts(); noun != "lens" || participle != "implanted" || version != 12 || !ok {
		t.Error("Parts of v12")
	}
}
