package main

import "lensledger/projections/learning"

// minimumFlags are the least numbers of whole cases that pages and answers show.
type minimumFlags struct {
	Minimums map[string]int `env:"LENSLEDGER_MINIMUMS" mapsep:";" help:"Least numbers of whole cases to show, by name: usa=86;uk=350 when not given. They are shown, not goals."`
}

func (f minimumFlags) minimums() ([]learning.Minimum, error) { return learning.MinimumsOf(f.Minimums) }
