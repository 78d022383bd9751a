package web

import (
	"strings"
	"time"

	"frostline/daemon/core"
	"frostline/daemon/estimate"
	"frostline/daemon/show"
	"frostline/sensors"
)

// line is how a quantity is shown: its number's name, its word and unit.
type line struct {
	name      string
	word      string
	unit      show.Unit
	series    string          // of the history, for the trace; "" draws none
	past      string          // said behind the trace's numbers where they are not of the row's own kind
	note      string          // said under a known number
	whenKnown bool            // left out while it is unknown
	channel   sensors.Channel // without it in the wiring the line is listed as not fitted
}

func tonightLines() []line {
	return []line{
		{name: "nights_left", word: "Nights left", unit: show.Nights},
		{name: "fuel_kg", series: "fuel_kg", word: "Fuel", unit: show.Kg},
		{name: "end_fuel_kg", word: "Left in the morning", unit: show.Kg, whenKnown: true},
		{name: "expected_low_c", word: "Expected low", unit: show.C},
	}
}

func nowLines() []line {
	return []line{
		{name: "burn_kg_h", series: "burn_kg_h", word: "Burn", unit: show.KgPerH},
		{name: "cylinder_gauge_kpa", series: "cylinder_kpa", past: "absolute", word: "Cylinder pressure", unit: show.KPa, note: "gauge, modelled"},
		{name: "supply_ratio", series: "supply_ratio", word: "Supply ratio", unit: show.Ratio, note: "what can boil off, over what is burned"},
		{name: "seat_margin_k", series: "seat_margin_k", word: "Seat margin", unit: show.K, note: "if the fuel is wet"},
		{name: "gas_pct_lel", series: bandSeries, word: "Floor gas", unit: show.PctLEL},
		{name: "cabin_c", series: "cabin_c", word: "Cabin", unit: show.C, channel: sensors.CabinC},
		{name: "outside_c", series: "outside_c", word: "Outside", unit: show.C, channel: sensors.OutsideC},
		{name: "pipe_c", series: string(sensors.WaterlineC), word: "Coldest pipe", unit: show.C, channel: sensors.WaterlineC},
		{name: "battery_v", series: "battery_v", word: "House battery", unit: show.V, channel: sensors.BatteryV},
	}
}

func tonightRows(f *frame, l look) []row {
	var out []row
	for _, x := range tonightLines() {
		if x.whenKnown && !quantityOf(f.snap, x.name).Known() {
			continue
		}
		r := x.row(f, l)
		if x.name == "fuel_kg" {
			r.Note = join(r.Note, cylinderNote(f.snap.Est))
		}
		out = append(out, r)
	}
	return out
}

func nowRows(f *frame, l look) (rows []row, absent string) {
	e := f.snap.Est
	var missing []string
	for _, x := range nowLines() {
		if x.channel != "" && !fitted(e, x.channel) {
			missing = append(missing, strings.ToLower(x.word))
			continue
		}
		r := x.row(f, l)
		switch x.name {
		case "burn_kg_h":
			r.Note = join(shareNote(e), r.Note)
		case "supply_ratio":
			r.Note = join(r.Note, supplyNote(e, l))
		case "gas_pct_lel":
			r = gasRow(r, e)
		}
		rows = append(rows, r)
		if x.name == "seat_margin_k" {
			rows = append(rows, freezeRow(e))
		}
	}
	if len(missing) > 0 {
		absent = "Not fitted: " + strings.Join(missing, ", ") + "."
	}
	return rows, absent
}

func fitted(e *estimate.Estimates, ch sensors.Channel) bool {
	for _, c := range e.Channels {
		if c.Channel == ch {
			return true
		}
	}
	return false
}

// row says one quantity; unknown is a word with its reason, never an old number.
func (x line) row(f *frame, l look) row {
	q := quantityOf(f.snap, x.name)
	r := row{Key: x.name, Word: x.word, Known: q.Known(), unit: x.unit, Series: x.series, past: x.past}
	if !q.Known() {
		r.Value, r.Note = show.Unknown, q.Why
		if r.Note == "" {
			r.Note = "no reason given"
		}
		return r
	}
	r.Value, r.Unit, r.Range = l.choice().Parts(q.Value, q.Low, q.High, x.unit)
	r.Note = x.note
	if q.Quality == sensors.Suspect {
		r.Note = join(r.Note, "not to be relied on alone: "+q.Why)
	}
	if age := f.snap.Stamp.Up - q.At; age > time.Minute {
		r.Note = join(r.Note, "read "+show.Duration(age)+" earlier")
	}
	return r
}

func quantityOf(s *core.Snapshot, name string) estimate.Quantity {
	for _, n := range numbers() {
		if n.name == name {
			return n.of(s)
		}
	}
	return estimate.Unknown("no such number")
}

// freezeRow says the freeze-up risk in words, and never without its condition.
func freezeRow(e *estimate.Estimates) row {
	r := row{Key: "freeze_risk", Word: "Ice at the regulator", Known: e.Freeze.Assessed(), Note: e.Freeze.Why}
	switch e.Freeze.Risk {
	case "not-expected":
		r.Value = "not expected"
		r.Note = join("ice not expected at these temperatures; wet fuel and the vent not assessed", r.Note)
	case "possible-if-wet":
		r.Value = "possible if wet"
	case "likely-if-wet":
		r.Value = "likely if wet"
	default:
		r.Value = "not assessed"
	}
	if e.Freeze.MayCondense {
		r.Note = join(r.Note, "the way to the regulator is colder than the liquid: some may condense there before the next flame")
	}
	return r
}

// supplyNote says what the cylinder can give, how long, and to what.
func supplyNote(e *estimate.Estimates, l look) string {
	note := ""
	if q := e.VapourKgPerH; q.Known() {
		note = "can boil off " + l.choice().Value(q.Value, q.Low, q.High, show.KgPerH) + " steadily"
	}
	if o := e.Outlook; o.HoursH.Known() && o.EndsLow == estimate.EndsByPressure {
		when := "after " + l.choice().Number(o.HoursH.Low, show.H)
		if o.HoursH.Low < 0.1 {
			when = "now"
		}
		note = join(note, "at the last hour's burn pressure may be thin "+when)
	}
	if n := len(e.TooMuch); n == 1 {
		note = join(note, e.TooMuch[0]+" at full input exceeds it in the long run")
	} else if n > 1 {
		note = join(note, strings.Join(e.TooMuch[:n-1], ", ")+" and "+e.TooMuch[n-1]+" together exceed it in the long run")
	}
	return note
}

// gasRow puts the band's word first: it is known when a %LEL is not, and it never reads
// better than it is.
func gasRow(r row, e *estimate.Estimates) row {
	number, unit := r.Value, r.Unit
	r.Value, r.Unit = bandWord(e.Band), ""
	switch {
	case e.Band == estimate.Blind || !r.Known:
		r.Range = ""
	default:
		r.Range = number + " " + unit + ", " + r.Range
	}
	r.Known = e.Band != estimate.Blind && e.Band != ""
	r.Note = e.BandWhy
	if e.WarmingUp && e.WarmLeft > 0 {
		r.Note = join(r.Note, "warming up, "+show.Duration(e.WarmLeft)+" left")
	}
	watch := certifiedNote
	if !r.Known {
		watch = "the certified alarm is the only watch"
	}
	r.Note = join(r.Note, watch)
	return r
}

func bandWord(b estimate.GasBand) string {
	if b == estimate.Blind || b == "" {
		return "not watching"
	}
	return string(b)
}

func cylinderNote(e *estimate.Estimates) string {
	switch {
	case e.Cylinder == estimate.Removed:
		return "no cylinder on the scale"
	case e.Cylinder == estimate.PresenceUnknown:
		return "whether a cylinder is there is unknown"
	case e.Overfilled:
		return "above the stamped fill"
	case !e.TareEntered && e.FuelKg.Why == "": // else the number says so itself
		return "tare not entered"
	}
	return ""
}

func shareNote(e *estimate.Estimates) string {
	var parts []string
	for _, sh := range e.Shares {
		if sh.KgPerH <= 0 {
			continue
		}
		word := sh.Name
		if !sh.Sure {
			word = "likely " + word
		}
		parts = append(parts, word)
	}
	return strings.Join(parts, ", ")
}

func join(a, b string) string {
	switch {
	case a == "":
		return b
	case b == "":
		return a
	}
	return a + "; " + b
}
