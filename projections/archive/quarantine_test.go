package archive

import "testing"

// A sample is text, whatever the bytes are and wherever they were cut.
func TestSampleText(t *testing.T) {
	for _, c := range []struct {
		sample string
		whole  int
		want   string
	}{
		{"plain", 5, "plain"},
		{"é\xc3", 10, "é"},             // cut in a character
		{"é\xc3", 3, "é�"},             // that is all there is
		{"\xf0\x9f\x98", 10, ""},       // three of four bytes
		{"a\xff\xffb", 10, "a�b"},      // no text, not at the cut
		{"a\xff\xff\xff\xff", 9, "a�"}, // no text at the cut
	} {
		if got := sampleText([]byte(c.sample), c.whole); got != c.want {
			t.Errorf("%q: %q, want %q", c.sample, got, c.want)
		}
	}
}
