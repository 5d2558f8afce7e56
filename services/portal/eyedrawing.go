package portal

import (
	"fmt"
	"net/url"

	"lensledger/projections/department"
)

// source is the address of the API's answer that a page of a department shows, for
// the script that draws it: the same department, period and moment.
func (p *departmentPage) source(answer string) string {
	q := url.Values{"from": {p.From}, "to": {p.To}}
	if p.AsOfAsked != "" {
		q.Set("as_of", p.AsOfAsked)
	}
	return "/v1/departments/" + url.PathEscape(p.Department) + "/" + answer + "?" + q.Encode()
}

// errorDrawing draws the prediction errors of the main figure, from as many eyes on
// as it takes for a figure.
func errorDrawing(r department.Refraction, source string) []drawing {
	if len(r.Classes) == 0 {
		return nil
	}
	t := tableView{Name: "Classes of the prediction error", Caption: "Eyes of the main figure by prediction error, in quarters of a dioptre",
		Head: numbers("Prediction error", "Eyes")}
	for _, c := range r.Classes {
		t.Rows = append(t.Rows, cells(classWords(c), whole(c.Count)))
	}
	return []drawing{{Kind: "error-histogram", Source: source, Table: t,
		Finding: fmt.Sprintf("Prediction errors of the main figure: %s of %s eyes lie within 0.50 D, %s within 1.00 D.",
			whole(r.Within050.Count), whole(r.N), whole(r.Within100.Count))}}
}

// classWords are the edges of a class of prediction errors.
func classWords(c department.ErrorClass) string {
	switch {
	case c.From == nil:
		return "below " + signed(*c.To, 2) + " D"
	case c.To == nil:
		return "above " + signed(*c.From, 2) + " D"
	}
	return signed(*c.From, 2) + " to " + signed(*c.To, 2) + " D"
}

// maxEyes bounds the table of eyes, so that a page stays a page.
const maxEyes = 500

// inducedDrawings draw the settled eyes and the early ones, each in a plot of its
// own: they are never pooled.
func inducedDrawings(a department.Astigmatism, source string) []drawing {
	var out []drawing
	for _, g := range []struct {
		name, part string
		group      department.InducedGroup
	}{{"Settled", "settled", a.Settled}, {"Early, while the wound heals", "early", a.Early}} {
		if g.group.Centroid == nil {
			continue
		}
		t := tableView{Name: g.name + ": eyes", Caption: g.name + ": each eye in the double-angle plane, left eyes mirrored, in dioptres",
			Head: numbers("Eye", "Along 0° and 90°", "Along 45° and 135°")}
		for i, p := range g.group.Points[:min(len(g.group.Points), maxEyes)] {
			t.Rows = append(t.Rows, cells(whole(i+1), signed(p.X, 2), signed(p.Y, 2)))
		}
		if more := len(g.group.Points) - maxEyes; more > 0 {
			t.Caption += ". The first " + whole(maxEyes) + "; the API gives all"
		}
		out = append(out, drawing{Kind: "double-angle", Source: source + "#" + g.part, Table: t,
			Finding: fmt.Sprintf("%s: %s, centroid %s. Distance from the middle is the amount, direction twice the meridian.",
				g.name, plural(g.group.N, "eye", "eyes"), astigmatismWords(g.group.Centroid.Centroid))})
	}
	return out
}
