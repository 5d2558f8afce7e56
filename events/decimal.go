package events

import (
	"strconv"
	"strings"
)

// maxExponent bounds the exponent of a number as sent, so that equal numbers
// always have one canonical form. Every limit is far inside.
const maxExponent = 9999

type verdict uint8

const (
	fits    verdict = iota
	tooFine         // more decimals than the unit has
	tooWide         // more than 18 digits before or after the point
)

// scaled gives a JSON number in whole units of 10^-places, by digits alone:
// "22.5", "2.25e1" and "22.500" are 2250 hundredths.
func scaled(number string, places int) (int64, verdict) {
	var n int64
	digits, exponent := 0, places // digits: of n; value = n * 10^(exponent-places)
	zeros := 0                    // seen since the last other digit
	dropped := 0                  // digits that don't fit into n
	fraction := false
	i := 0
	negative := number[0] == '-'
	if negative {
		i = 1
	}
	for ; i < len(number); i++ {
		c := number[i]
		if c == 'e' || c == 'E' {
			break
		}
		if c == '.' {
			fraction = true
			continue
		}
		if fraction {
			exponent--
		}
		if c == '0' {
			if digits > 0 {
				zeros++
			}
			continue
		}
		if dropped > 0 || digits+zeros+1 > 18 {
			dropped += zeros + 1
			zeros = 0
			continue
		}
		for ; zeros > 0; zeros-- {
			n *= 10
			digits++
		}
		n = n*10 + int64(c-'0')
		digits++
	}
	exponent += zeros
	if i < len(number) {
		e, err := strconv.Atoi(number[i+1:])
		if err != nil {
			e = maxExponent + 1 // the scanner refuses it; here it is only kept from wrapping
			if number[i+1] == '-' {
				e = -e
			}
		}
		exponent += e
	}
	switch {
	case n == 0:
		return 0, fits
	case digits+dropped+exponent > 18:
		return 0, tooWide
	case exponent < 0: // so too whenever digits were dropped
		return 0, tooFine
	}
	for ; exponent > 0; exponent-- {
		n *= 10
	}
	if negative {
		n = -n
	}
	return n, fits
}

// appendScaled writes n units of 10^-places as a JSON number, without zeros at
// the end of its decimals.
func appendScaled(dst []byte, n int64, places int) []byte {
	if places == 0 {
		return strconv.AppendInt(dst, n, 10)
	}
	if n < 0 {
		dst = append(dst, '-')
		n = -n
	}
	unit := int64(1)
	for range places {
		unit *= 10
	}
	dst = strconv.AppendInt(dst, n/unit, 10)
	rest := n % unit
	if rest == 0 {
		return dst
	}
	dst = append(dst, '.')
	for rest != 0 {
		unit /= 10
		dst = append(dst, byte('0'+rest/unit))
		rest %= unit
	}
	return dst
}

// appendNumber writes a JSON number of any size in its one canonical form:
// plain digits where at most 21 stand before the point and at most 6 zeros
// after it, else with an exponent. 75.0 and 7.5e1 are 75, -0 is 0.
func appendNumber(dst []byte, number string) []byte {
	negative := strings.HasPrefix(number, "-")
	mantissa, power, _ := strings.Cut(strings.ToLower(strings.TrimPrefix(number, "-")), "e")
	exponent := 0
	if power != "" {
		exponent, _ = strconv.Atoi(power) // within maxExponent: the scanner saw to it
	}
	whole, fraction, _ := strings.Cut(mantissa, ".")
	digits := strings.TrimLeft(whole+fraction, "0")
	exponent -= len(fraction)
	trimmed := strings.TrimRight(digits, "0")
	exponent += len(digits) - len(trimmed)
	if trimmed == "" {
		return append(dst, '0')
	}
	if negative {
		dst = append(dst, '-')
	}
	point := len(trimmed) + exponent // digits before the decimal point
	switch {
	case exponent >= 0 && point <= 21:
		dst = append(dst, trimmed...)
		return append(dst, strings.Repeat("0", exponent)...)
	case exponent < 0 && point > 0:
		dst = append(dst, trimmed[:point]...)
		dst = append(dst, '.')
		return append(dst, trimmed[point:]...)
	case exponent < 0 && point > -6:
		dst = append(dst, "0."...)
		dst = append(dst, strings.Repeat("0", -point)...)
		return append(dst, trimmed...)
	}
	dst = append(dst, trimmed[0])
	if len(trimmed) > 1 {
		dst = append(dst, '.')
		dst = append(dst, trimmed[1:]...)
	}
	dst = append(dst, 'e')
	return strconv.AppendInt(dst, int64(point-1), 10)
}
