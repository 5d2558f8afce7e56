package portal

import (
	"fmt"
	"time"

	"lensledger/projections/fold"
)

// measuredTable lists what was measured, cut, used and given during the operation.
func measuredTable(c fold.Case) tableView {
	t := tableView{Name: "Measured and used in theatre", Caption: "What was measured, cut, used and given during the operation, by kind.", Head: heads("What", "Value", "Recorded")}
	add := func(what, value string, at time.Time) {
		t.Rows = append(t.Rows, cells(sentence(what), value, clock(at)))
	}
	for _, m := range c.Measurements {
		add(plain(string(m.What)), millimetres(m.ValueUM), m.At)
	}
	for _, i := range c.Incisions {
		value := "width " + notRecorded
		if i.WidthUM.Known {
			value = millimetres(i.WidthUM.Value)
		}
		if i.MeridianDeg.Known {
			value += fmt.Sprintf(" at %d°", i.MeridianDeg.Value)
		}
		add("incision, "+plain(string(i.Kind)), value, i.At)
	}
	for _, a := range c.Adjuncts {
		value := "planned: " + fact(a.Planned)
		if a.Count.Known {
			value = whole(int(a.Count.Value)) + ", " + value
		}
		if a.Step != "" {
			value += ", in " + plain(string(a.Step))
		}
		add(plain(string(a.Kind)), value, a.At)
	}
	for _, m := range c.Machines {
		if m.UltrasoundTimeMS.Known {
			add("ultrasound time", decimal(float64(m.UltrasoundTimeMS.Value)/1000, 1)+" s", m.At)
		}
		if m.EnergyIndex.Known {
			add("energy index of machine "+string(m.Machine), decimal(float64(m.EnergyIndex.Value)/100, 2)+", in the machine's own unit", m.At)
		}
		if m.FluidML.Known {
			add("fluid", whole(int(m.FluidML.Value))+" mL", m.At)
		}
	}
	for _, d := range c.Drugs {
		value := plain(string(d.Route))
		if d.DoseUG.Known {
			value += ", " + whole(int(d.DoseUG.Value)) + " µg"
		}
		add(string(d.Drug), value, d.At)
	}
	return t
}

// millimetres writes micrometres.
func millimetres(um int64) string { return decimal(float64(um)/1000, 2) + " mm" }
