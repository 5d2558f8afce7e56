package events

import (
	"fmt"
	"math/big"
	"math/rand/v2"
	"strings"
	"testing"
	"time"
)

// randomNumber is a JSON number, short or long, plain or with an exponent.
func randomNumber(r *rand.Rand) string {
	digits := func(n int) string {
		var b strings.Builder
		for range n {
			if r.IntN(3) == 0 {
				b.WriteByte('0')
			} else {
				b.WriteByte(byte('0' + r.IntN(10)))
			}
		}
		return b.String()
	}
	s := strings.TrimLeft(digits(1+r.IntN(1+r.IntN(25))), "0")
	if s == "" {
		s = "0"
	}
	if r.IntN(2) == 0 {
		s += "." + digits(1+r.IntN(1+r.IntN(25)))
	}
	if r.IntN(2) == 0 {
		s += []string{"e", "E", "e+", "E-", "e-"}[r.IntN(5)] + digits(1+r.IntN(2))
	}
	if r.IntN(3) == 0 {
		s = "-" + s
	}
	return s
}

// math/big is the outside judge of exact decimals.
func TestNumbersAreExact(t *testing.T) {
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 0))
	counts := map[verdict]int{}
	for range 50_000 {
		number := randomNumber(r)
		exact, ok := new(big.Rat).SetString(number)
		if !ok {
			t.Fatalf("seed %d: %s is no number", seed, number)
		}
		for _, places := range []int{0, 2, 6} {
			unit := new(big.Rat).SetInt(new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(places)), nil))
			want := new(big.Rat).Mul(exact, unit)
			n, verdict := scaled(number, places)
			counts[verdict]++
			limit := new(big.Rat).SetInt64(1_000_000_000_000_000_000)
			wide := new(big.Rat).Abs(want).Cmp(limit) >= 0
			if verdict == fits && want.Cmp(new(big.Rat).SetInt64(n)) != 0 || verdict == tooWide && !wide ||
				verdict == tooFine && (want.IsInt() || wide) {
				t.Fatalf("seed %d: %s in 10^-%d: %d, verdict %d, exactly %s", seed, number, places, n, verdict, want.RatString())
			}
			if verdict != fits {
				continue
			}
			back, ok := new(big.Rat).SetString(string(appendScaled(nil, n, places)))
			if !ok || back.Cmp(exact) != 0 {
				t.Fatalf("seed %d: %s written as %s", seed, number, appendScaled(nil, n, places))
			}
		}
		// The canonical form keeps the value and is its own canonical form.
		canonical := string(appendNumber(nil, number))
		value, ok := new(big.Rat).SetString(canonical)
		if !ok || value.Cmp(exact) != 0 || string(appendNumber(nil, canonical)) != canonical {
			t.Fatalf("seed %d: %s became %s", seed, number, canonical)
		}
		if _, problems := DecodeData(TypeEventAmended, []byte(`{"target_source":"a","target_id":"b","data":{"n":`+canonical+`}}`)); len(problems) > 0 {
			t.Fatalf("seed %d: canonical %s: %v", seed, canonical, problems)
		}
	}
	if counts[fits] < 1000 || counts[tooFine] < 1000 || counts[tooWide] < 1000 {
		t.Errorf("the random numbers miss a case: %v", counts)
	}
}

func TestEqualNumbersHashEqual(t *testing.T) {
	hash := func(power string) Hash {
		return decoded(t, structured(TypeLensImplanted, `{"power_d":`+power+`}`)).Hash()
	}
	for _, c := range [][]string{
		{"7.5", "7.50", "75e-1", "0.75E+1", "750000000000000000000000000e-26"},
		{"0", "-0", "0.00", "0e7", "-0.0E-3"},
		{"20", "2e1", "20.000"},
		{"-9.75", "-975e-2"},
	} {
		for _, other := range c[1:] {
			if hash(other) != hash(c[0]) {
				t.Errorf("%s and %s differ", c[0], other)
			}
		}
	}
	if hash("7.5") == hash("7.75") || hash("0") == decoded(t, structured(TypeLensImplanted, `{}`)).Hash() {
		t.Error("different numbers hash equal")
	}
}

func TestAxis180Is0(t *testing.T) {
	e := decoded(t, structured(TypeLensImplanted, `{"cylinder_d":1,"axis_deg":180.0}`))
	if got := e.Data.(*LensImplanted).AxisDeg; got != Some(int64(0)) {
		t.Errorf("axis %v", got)
	}
	made := e
	made.Data = &LensImplanted{CylinderD: Some(Hundredths(100)), AxisDeg: Some(int64(180))}
	if made.Hash() != e.Hash() {
		t.Error("an event made with axis 180 has another hash than the one read")
	}
}

// time.Parse is the outside judge, where it is as strict.
func TestInstants(t *testing.T) {
	for _, good := range []string{
		"2025-03-12T10:41:07Z", "2025-03-12t10:41:07z", "2025-03-12T10:41:07.5+00:00", "2025-03-12T10:41:07.123456789-09:30",
		"2024-02-29T00:00:00+14:00", "1900-01-01T00:00:00-12:00", "2199-12-31T23:59:59+05:45", "2000-02-29T12:00:00+00:19",
	} {
		got, fault := parseInstant(good)
		want, err := time.Parse(time.RFC3339Nano, strings.ToUpper(good))
		_, offset := got.Zone()
		_, wantOffset := want.Zone()
		if fault != "" || err != nil || !got.Equal(want) || offset != wantOffset {
			t.Errorf("%s: %v %q, want %v %v", good, got, fault, want, err)
		}
	}
	for _, bad := range []string{
		"", "2025", "2025-03-12", "2025-03-12T10:41", "2025-03-12T10:41:07", "2025-03-12 10:41:07Z", "2025-03-12T10:41:07.Z",
		"2025-03-12T10:41:07,5Z", "2025-03-12T10:41:07.1234567890Z", "2025-03-12T24:00:00Z", "2025-03-12T10:60:00Z", "2016-12-31T23:59:60Z",
		"2025-02-29T10:00:00Z", "1900-02-29T10:00:00Z", "2025-13-01T10:00:00Z", "2025-00-01T10:00:00Z", "2025-04-31T10:00:00Z", "2025-04-00T10:00:00Z",
		"1899-12-31T10:00:00Z", "2200-01-01T00:00:00Z", "2025-03-12T10:41:07+1:00", "2025-03-12T10:41:07+0100", "2025-03-12T10:41:07+01",
		"2025-03-12T10:41:07+14:01", "2025-03-12T10:41:07-00:00", "2025-03-12T10:41:07+01:60", "2025-03-12T10:41:07ZZ", "+025-03-12T10:41:07Z",
	} {
		if got, fault := parseInstant(bad); fault == "" {
			t.Errorf("%q is read as %v", bad, got)
		}
	}
}

// Z and +00:00 are one offset; another offset is another local date, so another event.
func TestTimesInTheHash(t *testing.T) {
	hash := func(at string) Hash { return decoded(t, with(t, "2025-03-12T10:41:07+00:00", at)).Hash() }
	base := hash("2025-03-12T10:41:07+00:00")
	for _, same := range []string{"2025-03-12T10:41:07Z", "2025-03-12t10:41:07.000z"} {
		if hash(same) != base {
			t.Errorf("%s differs", same)
		}
	}
	for _, other := range []string{"2025-03-12T11:41:07+01:00", "2025-03-12T10:41:07.001Z"} {
		if hash(other) == base {
			t.Errorf("%s is equal", other)
		}
	}
	e := decoded(t, exampleEvent)
	e.Time = time.Date(1900, 1, 1, 12, 0, 0, 0, time.FixedZone("LMT", 3600+92))
	if again := decoded(t, string(e.Encode())); !again.Time.Equal(e.Time) || again.Hash() != e.Hash() {
		t.Errorf("an offset with seconds: %v became %v", e.Time, again.Time)
	}
}

func TestCheckTime(t *testing.T) {
	received := time.Date(2025, 3, 12, 10, 0, 0, 0, time.UTC)
	amended := `{"target_source":"a","target_id":"b","data":{},"occurred_at":"%s"}`
	for _, c := range []struct {
		body string
		want string
	}{
		{with(t, "2025-03-12T10:41:07+00:00", "2025-03-12T10:10:00Z"), ""},
		{with(t, "2025-03-12T10:41:07+00:00", "2025-03-12T11:10:00+01:00"), ""},
		{with(t, "2025-03-12T10:41:07+00:00", "2025-03-12T10:10:01Z"), "/time time: found 2025-03-12T10:10:01Z, allowed up to 10 minutes after arrival at 2025-03-12T10:00:00Z"},
		{strings.Replace(structured(TypeEventAmended, fmt.Sprintf(amended, "2025-03-12T10:11:00Z")), "10:41:07+01:00", "09:00:00Z", 1),
			"/data/occurred_at occurred_at: found 2025-03-12T10:11:00Z, allowed up to 10 minutes after arrival at 2025-03-12T10:00:00Z"},
		{structured(TypeSurgeonEnrolled, `{"post":"trainee","training_started_on":"2025-03-13"}`), ""}, // begun at +14:00
		{structured(TypeSurgeonEnrolled, `{"post":"trainee","training_started_on":"2025-03-14"}`), "/data/training_started_on training_started_on: found 2025-03-14, allowed dates not in the future"},
	} {
		got := ""
		for _, p := range decoded(t, c.body).CheckTime(received) {
			if p.Code != CodeTime {
				t.Errorf("code %s", p.Code)
			}
			got += p.Pointer + " " + p.Detail
		}
		if got != c.want {
			t.Errorf("%s\ngot  %q\nwant %q", c.body, got, c.want)
		}
	}
}
