package main

import (
	"slices"
	"strings"
	"testing"

	"lensledger/projections/measure"
)

func TestCaseMixOfTheCommandLine(t *testing.T) {
	got, err := caseMix(map[string]float64{"0.04": 0.3, "0.01": 0.7})
	if want := []measure.MixPoint{{Risk: 0.01, Share: 0.7}, {Risk: 0.04, Share: 0.3}}; err != nil || !slices.Equal(got, want) {
		t.Errorf("got %v, %v", got, err)
	}
	if _, err := caseMix(map[string]float64{"high": 1}); err == nil || !strings.Contains(err.Error(), `found the risk "high"`) {
		t.Errorf("got %v", err)
	}
}
