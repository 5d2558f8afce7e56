// Package browsing holds the pages to what people do on them: its tests start the
// real program with the invented demo and drive it in Chromium, each from signing
// in to the answer. There is nothing in it to import.
package browsing
