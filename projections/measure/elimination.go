package measure

// takenOut finds the visits by taking out states from the top, each replaced by
// what follows it.
//
// Source: Grassmann WK, Taksar MI, Heyman DP. Oper Res 1985;33:1107-1116 (from
// memory).
func (g *grid) takenOut(below, above int) visits {
	band := below + above + 1
	chance := make([]float64, g.nodes*band) // row i holds targets i-below to i+above
	leave := make([]float64, g.nodes)       // of a state, once those above are taken out
	alarm := make([]float64, g.nodes)
	copy(alarm, g.alarm)
	for i := range g.nodes {
		row := chance[i*band:]
		for _, t := range g.taps {
			switch target := i + t.offset; {
			case target >= g.nodes || target <= 0 || t.offset == 0:
			case target == g.nodes-1:
				row[t.offset+below] += t.top
			default:
				row[t.offset+below] += t.chance
			}
		}
		if i > 0 && i <= below {
			row[below-i] += g.zero[i]
		}
	}
	for i := g.nodes - 1; i > 0; i-- {
		first := max(0, i-below)
		row := chance[i*band+first-i+below : i*band+below]
		leave[i] = alarm[i]
		for _, c := range row {
			leave[i] += c
		}
		for a := max(0, i-above); a < i; a++ {
			enter := chance[a*band+i-a+below]
			if enter == 0 {
				continue
			}
			enter /= leave[i]
			alarm[a] += float64(enter * alarm[i])
			into := chance[a*band+first-a+below:][:len(row)]
			for k, c := range row {
				into[k] += float64(enter * c)
			}
		}
	}
	leave[0] = alarm[0]
	return func(start []float64) ([]float64, error) {
		out := g.vector()
		v := g.cells(out)
		copy(v, g.cells(start))
		for i := g.nodes - 1; i > 0; i-- {
			share := v[i] / leave[i]
			for k := max(0, i-below); k < i; k++ {
				v[k] += float64(share * chance[i*band+k-i+below])
			}
		}
		for i := range v {
			for a := max(0, i-above); a < i; a++ {
				v[i] += float64(v[a] * chance[a*band+i-a+below])
			}
			v[i] /= leave[i]
		}
		return out, nil
	}
}
