package events

import (
	"fmt"
	"time"
)

// Years that a date or time may have; a typing error lies outside.
const (
	firstYear = 1900
	lastYear  = 2199
)

const (
	allowedInstant = "a time with offset as in RFC 3339, for example 2025-03-12T10:41:07+00:00"
	allowedDate    = "a date from 1900 to 2199, for example 2025-03-12"
)

// number reads n digits at i of s; -1 if they aren't digits.
func number(s string, i, n int) int {
	if len(s) < i+n {
		return -1
	}
	v := 0
	for _, c := range []byte(s[i : i+n]) {
		if c < '0' || c > '9' {
			return -1
		}
		v = v*10 + int(c-'0')
	}
	return v
}

// parseDate reads YYYY-MM-DD at the start of s.
func parseDate(s string) (year int, month time.Month, day int, ok bool) {
	y, m, d := number(s, 0, 4), number(s, 5, 2), number(s, 8, 2)
	if y < firstYear || y > lastYear || m < 1 || m > 12 || d < 1 || s[4] != '-' || s[7] != '-' {
		return 0, 0, 0, false
	}
	days := [...]int{31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31}[m-1]
	if m == 2 && (y%4 == 0 && y%100 != 0 || y%400 == 0) {
		days = 29
	}
	return y, time.Month(m), d, d <= days
}

// parseInstant reads an RFC 3339 time with offset and keeps the offset. fault
// is empty, or says what is wrong.
func parseInstant(s string) (t time.Time, fault string) {
	year, month, day, ok := parseDate(s)
	if !ok || len(s) < 19 {
		return t, fmt.Sprintf("found %q, allowed %s, years %d to %d", cut(s, 40), allowedInstant, firstYear, lastYear)
	}
	bad := func() (time.Time, string) {
		return time.Time{}, fmt.Sprintf("found %q, allowed %s", cut(s, 40), allowedInstant)
	}
	hour, minute, second := number(s, 11, 2), number(s, 14, 2), number(s, 17, 2)
	if s[10] != 'T' && s[10] != 't' || s[13] != ':' || s[16] != ':' ||
		hour < 0 || hour > 23 || minute < 0 || minute > 59 || second < 0 || second > 59 {
		return bad()
	}
	rest, nanos := s[19:], 0
	if rest != "" && rest[0] == '.' {
		digits := 0
		for 1+digits < len(rest) && rest[1+digits] >= '0' && rest[1+digits] <= '9' {
			digits++
		}
		if digits == 0 || digits > 9 {
			return t, fmt.Sprintf("found %q, allowed 1 to 9 decimals of a second", cut(s, 60))
		}
		nanos = number(rest, 1, digits)
		for range 9 - digits {
			nanos *= 10
		}
		rest = rest[1+digits:]
	}
	switch {
	case rest == "":
		return t, fmt.Sprintf("found %q without offset, allowed %s", s, allowedInstant)
	case rest == "Z" || rest == "z":
		return time.Date(year, month, day, hour, minute, second, nanos, time.UTC), ""
	case rest == "-00:00":
		return t, fmt.Sprintf("found %q, whose offset -00:00 means unknown, allowed %s", s, allowedInstant)
	case len(rest) != 6 || rest[0] != '+' && rest[0] != '-' || rest[3] != ':':
		return bad()
	}
	h, m := number(rest, 1, 2), number(rest, 4, 2)
	if h < 0 || m < 0 || m > 59 || h*60+m > 14*60 {
		return t, fmt.Sprintf("found %q, allowed offsets from -14:00 to +14:00", s)
	}
	offset := h*60 + m
	if rest[0] == '-' {
		offset = -offset
	}
	return time.Date(year, month, day, hour, minute, second, nanos, zone(offset)), ""
}

// zones holds the offsets in use, whole quarters of an hour from -14:00 to
// +14:00, so that decoding makes no location per event.
var zones = func() (z [113]*time.Location) {
	for i := range z {
		z[i] = time.FixedZone("", (i-56)*15*60)
	}
	z[56] = time.UTC
	return z
}()

func zone(minutes int) *time.Location {
	if minutes%15 == 0 && minutes >= -840 && minutes <= 840 {
		return zones[minutes/15+56]
	}
	return time.FixedZone("", minutes*60)
}

// appendInstant writes t with its offset, Z for zero, and no zeros at the end
// of a fraction. An offset with seconds is cut to minutes; the instant stays.
func appendInstant(dst []byte, t time.Time) []byte {
	if _, offset := t.Zone(); offset%60 != 0 {
		t = t.In(zone(offset / 60))
	}
	return t.AppendFormat(dst, "2006-01-02T15:04:05.999999999Z07:00")
}
