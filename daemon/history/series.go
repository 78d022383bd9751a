package history

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"frostline/daemon/core"
	"frostline/daemon/estimate"
	"frostline/sensors"
)

// series is one curve of history and the columns that hold it. Values are stored as
// integers of one scale: small numbers are small in SQLite, and equal ones cost nothing.
type series struct {
	name   string
	scale  float64 // stored integers per unit
	toggle bool    // 0 or 1: one column, the share of ticks at 1; min and max follow from it
}

// seriesOf lists the columns of a van: its channels in the order of the wiring, then the
// estimates.
func seriesOf(w sensors.Wiring) []series {
	var all []series
	for _, wire := range w {
		name := string(wire.Channel)
		all = append(all, series{name, scaleOf(name), wire.Channel.IsSwitch()})
	}
	for _, e := range estimateList() {
		all = append(all, series{name: e.name, scale: scaleOf(e.name)})
	}
	return all
}

// scaleOf takes the resolution from the unit that ends a name: ten times finer than any
// sensor of the kind is stable, so rounding is never seen.
func scaleOf(name string) float64 {
	for _, u := range []struct {
		ending string
		scale  float64
	}{
		{"_kg_h", 1e4}, {"_kg", 1e3}, {"_v", 1e4}, {"_counts", 1}, {"_b", 1}, {"_n", 1}, {"_s", 10},
	} {
		if strings.HasSuffix(name, u.ending) {
			return u.scale
		}
	}
	return 100 // degrees, kilopascals, percent, ratios, nights, bands
}

// columns are the names in the file: the mean, and how far the extremes lie from it.
func (s series) columns() []string {
	if s.toggle {
		return []string{s.name}
	}
	return []string{s.name, s.name + "_below", s.name + "_above"}
}

// estimateSeries is an estimate that is kept, by the name it has in the estimates file.
type estimateSeries struct {
	name string
	of   func(*core.Snapshot) (float64, bool)
}

func estimateList() []estimateSeries {
	value := func(name string, q func(*core.Snapshot) estimate.Quantity) estimateSeries {
		return estimateSeries{name, func(s *core.Snapshot) (float64, bool) { return q(s).Value, q(s).Known() }}
	}
	low := func(name string, q func(*core.Snapshot) estimate.Quantity) estimateSeries {
		return estimateSeries{name, func(s *core.Snapshot) (float64, bool) { return q(s).Low, q(s).Known() }}
	}
	high := func(name string, q func(*core.Snapshot) estimate.Quantity) estimateSeries {
		return estimateSeries{name, func(s *core.Snapshot) (float64, bool) { return q(s).High, q(s).Known() }}
	}
	fuel := func(s *core.Snapshot) estimate.Quantity { return s.Est.FuelKg }
	burn := func(s *core.Snapshot) estimate.Quantity { return s.Est.BurnKgPerH }
	left := func(s *core.Snapshot) estimate.Quantity { return s.Tonight.NightsLeft }
	return []estimateSeries{
		value("fuel_kg", fuel), low("fuel_low_kg", fuel), high("fuel_high_kg", fuel),
		value("burn_kg_h", burn), low("burn_low_kg_h", burn), high("burn_high_kg_h", burn),
		value("heater_kg_h", func(s *core.Snapshot) estimate.Quantity { return s.Est.HeaterKgPerH }),
		value("other_kg_h", func(s *core.Snapshot) estimate.Quantity { return s.Est.OtherKgPerH }),
		value("liquid_c", func(s *core.Snapshot) estimate.Quantity { return s.Est.LiquidTempC }),
		value("cylinder_kpa", func(s *core.Snapshot) estimate.Quantity { return s.Est.CylinderKPa }),
		value("supply_ratio", func(s *core.Snapshot) estimate.Quantity { return s.Est.SupplyRatio }),
		value("seat_margin_k", func(s *core.Snapshot) estimate.Quantity { return s.Est.SeatMarginK }),
		value("gas_pct_lel", func(s *core.Snapshot) estimate.Quantity { return s.Est.FloorGasPctLEL }),
		{"gas_band", bandNumber},
		value("nights_left", left), low("nights_left_low", left), high("nights_left_high", left),
	}
}

// bandNumber is the gas band as a number that can be drawn, 0 blind to 4 leave.
func bandNumber(s *core.Snapshot) (float64, bool) {
	i := slices.Index([]estimate.GasBand{estimate.Blind, estimate.Background, estimate.Trace,
		estimate.Warning, estimate.Leave}, s.Est.Band)
	return float64(i), i >= 0
}

// cell is what one series did in one stretch of time. N is the ticks it was known in.
type cell struct {
	n             int
	min, max, sum float64
}

// add folds one tick in. A value that no column could hold is left out like a missing one.
func (c *cell) add(v, scale float64) {
	if math.IsNaN(v) || math.Abs(v*scale) > 1e15 {
		return
	}
	c.merge(cell{1, v, v, v})
}

func (c *cell) merge(o cell) {
	if o.n == 0 {
		return
	}
	if c.n == 0 {
		*c = o
		return
	}
	c.n += o.n
	c.sum += o.sum
	c.min, c.max = min(c.min, o.min), max(c.max, o.max)
}

// row is one stretch of time of every series: a minute, a quarter or an hour of a span.
type row struct {
	span  int64
	index int64 // of the stretch, counted from up time 0
	ticks int
	cells []cell // order of Store.series, or of the series in a table
}

// observe folds the tick of one snapshot into the row. A channel counts in every tick in
// which its last accepted reading was still believed, so means are means over time.
func (s *Store) observe(r *row, snap *core.Snapshot) {
	r.ticks++
	for i := range s.o.Wiring {
		if i < len(snap.Est.Channels) && snap.Est.Channels[i].Quality >= sensors.Suspect {
			r.cells[i].add(snap.Est.Channels[i].Value, s.series[i].scale)
		}
	}
	for i, e := range s.sums {
		at := len(s.o.Wiring) + i
		if v, known := e.of(snap); known {
			r.cells[at].add(v, s.series[at].scale)
		}
	}
}

// encode appends the integers of one cell in the order of columns; NULL is "not known".
func (s series) encode(into []any, c cell) []any {
	if c.n == 0 {
		for range s.columns() {
			into = append(into, nil)
		}
		return into
	}
	mean := c.sum / float64(c.n)
	if s.toggle {
		share := int64(math.Round(mean * 1000))
		if c.min != c.max { // a share that rounds to always or never must still say "sometimes"
			share = min(max(share, 1), 999)
		}
		return append(into, share)
	}
	m := int64(math.Round(mean * s.scale))
	return append(into, m, m-int64(math.Round(c.min*s.scale)), int64(math.Round(c.max*s.scale))-m)
}

// decode reads what encode wrote, for a cell of n ticks.
func (s series) decode(v []*int64, n int) cell {
	if v[0] == nil || n == 0 {
		return cell{}
	}
	if s.toggle {
		c := cell{n: n, sum: float64(*v[0]) / 1000 * float64(n)}
		if *v[0] > 0 {
			c.max = 1
		}
		if *v[0] == 1000 {
			c.min = 1
		}
		return c
	}
	if v[1] == nil || v[2] == nil {
		return cell{}
	}
	m := *v[0]
	return cell{
		n: n, sum: float64(m) / s.scale * float64(n),
		min: float64(m-*v[1]) / s.scale, max: float64(m+*v[2]) / s.scale,
	}
}

// shortfall names the series that were known in fewer ticks than the row has, as
// "gas_v=12 cabin_c=3". It is nil for nearly every row, which then costs one byte instead
// of a count for each series.
func shortfall(list []series, r row) any {
	var b strings.Builder
	for i, c := range r.cells {
		if c.n > 0 && c.n < r.ticks {
			fmt.Fprintf(&b, " %s=%d", list[i].name, c.n)
		}
	}
	if b.Len() == 0 {
		return nil
	}
	return b.String()[1:]
}

// known is how many of a row's ticks one series was known in.
func known(name string, ticks int, short string) int {
	for _, part := range strings.Fields(short) {
		if n, ok := strings.CutPrefix(part, name+"="); ok {
			if k, err := strconv.Atoi(n); err == nil {
				return k
			}
		}
	}
	return ticks
}
