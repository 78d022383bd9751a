package nights

import (
	"math"
	"slices"
	"time"

	"frostline/daemon/estimate"
	"frostline/daemon/lpg"
	"frostline/sensors"
)

// running is the night being lived. Its fields are exported for the checkpoint only.
type running struct {
	Date                       string `json:"date"`
	From, To                   time.Time
	DayKg                      *float64
	LivedH                     float64
	SinceH                     float64 `json:",omitempty"` // by the monotonic clock, since the first tick
	HeadH                      float64 `json:",omitempty"` // of the window, before that
	Torn                       bool    `json:",omitempty"` // by a restart: SinceH lacks what lay in it
	FirstKg, LastKg            float64 // burned total at both ends
	Weighed                    weighed `json:",omitzero"`
	LockerFirstC, LockerLastC  float64
	HasLocker                  bool
	HeaterKg, OtherKg, HeaterH float64
	Outside, Cabin             mean
	PipeLowC                   float64
	HasPipe                    bool
	DegreeHours                float64
	DegreeH                    float64 // hours DegreeHours covers
	Band                       int
	WatchedH, GapH             float64
	Alarms                     int
	Moved, Changed, Untrusted  bool

	Appliances []ApplianceUse `json:",omitempty"`
	SureKg     float64        `json:",omitempty"` // surely burned by others than the heater
	Supply     least          `json:",omitzero"`
	Seat       least          `json:",omitzero"`
	Loads      []LoadUse      `json:",omitempty"`
	StarvedH   float64        `json:",omitempty"`
	Dry        bool           `json:",omitempty"`
	Forecast   *promise       `json:",omitempty"`
}

// weighed is what a night burned by the fall of the fuel, which does not drift as a sum of
// recognised flames does. Where the fuel moves for another reason, the sum stands in.
type weighed struct {
	Kg, FuelKg       float64
	Known            bool // FuelKg
	Entered, Learned bool // the tare it was weighed with
}

func (w *weighed) add(e *estimate.Estimates, burnedKg float64, changed bool) {
	now := weighed{FuelKg: e.FuelKg.Value, Known: e.FuelKg.Known(), Entered: e.TareEntered, Learned: e.TareLearned}
	fall := w.FuelKg - now.FuelKg
	if changed || !w.Known || !now.Known || w.Entered != now.Entered || w.Learned != now.Learned || math.Abs(fall) > strangeKg {
		fall = burnedKg
	}
	now.Kg = w.Kg + fall
	*w = now
}

// burnedKg is the night's fuel of the two, and how far apart they are if that is more than
// either can be wrong. Flames that were not recognised make the sum too small: then the fall
// counts. A tare that was corrected makes the fall too small: then the sum does.
func (r *running) burnedKg() (kg, doubtKg float64) {
	sum, fall := r.LastKg-r.FirstKg, max(0, r.Weighed.Kg)
	if apart := math.Abs(fall - sum); apart > apartFrac*sum+endsErrKg {
		return max(fall, sum), apart
	}
	return fall, 0
}

// mean is a time-weighted mean with its least value.
type mean struct {
	SumCH, H, LowC float64
}

func (m *mean) add(q estimate.Quantity, h float64) {
	if !q.Known() {
		return
	}
	if m.H == 0 || q.Value < m.LowC {
		m.LowC = q.Value
	}
	m.SumCH += q.Value * h
	m.H += h
}

// least is the lowest likeliest value of a quantity, in its unit.
type least struct {
	Value float64
	Known bool
}

func (m *least) add(q estimate.Quantity) {
	if q.Known() && (!m.Known || q.Value < m.Value) {
		m.Value, m.Known = q.Value, true
	}
}

func (m least) num(digits int) *float64 {
	if !m.Known {
		return nil
	}
	return num(m.Value, digits)
}

// lasts reports whether less time has been lived than the night is long.
func (r *running) lasts() bool { return r.WatchedH+r.GapH < r.To.Sub(r.From).Hours() }

// rescaled reports whether the scale was calibrated in this tick: then the fuel is another
// number, and nothing has burned.
func rescaled(e *estimate.Estimates) bool {
	return slices.ContainsFunc(e.Happened, func(x estimate.Happening) bool {
		return x.Kind == estimate.Calibrated && x.Channel == string(sensors.LoadCounts)
	})
}

func (r *running) add(p *Params, e *estimate.Estimates, dt time.Duration, alarms int) {
	h := dt.Hours()
	r.SinceH += h
	r.Alarms += alarms
	r.Moved = r.Moved || e.Moving
	r.Untrusted = r.Untrusted || !e.ClockTrusted
	r.Band = max(r.Band, bandRank(e.Band))
	changed := slices.ContainsFunc(e.Happened, func(x estimate.Happening) bool {
		return x.Kind == estimate.CylinderPlaced || x.Kind == estimate.CylinderRemoved
	})
	r.Changed = r.Changed || changed
	r.Weighed.add(e, e.BurnedKg-r.LastKg, changed || rescaled(e))
	r.LastKg = e.BurnedKg
	if e.LockerC.Known() {
		if !r.HasLocker {
			r.HasLocker, r.LockerFirstC = true, e.LockerC.Value
		}
		r.LockerLastC = e.LockerC.Value
	}
	if dt > gapAfter {
		r.GapH += h
		return
	}
	r.LivedH += h
	if e.BurnKgPerH.Known() {
		r.WatchedH += h
	} else {
		r.GapH += h
	}
	r.burn(p, e, h)
	r.electricity(p, e, h)
	r.Outside.add(e.OutsideC, h)
	r.Cabin.add(e.CabinC, h)
	if e.PipeC.Known() && (!r.HasPipe || e.PipeC.Value < r.PipeLowC) {
		r.HasPipe, r.PipeLowC = true, e.PipeC.Value
	}
	if e.OutsideC.Known() && e.CabinC.Known() {
		r.DegreeHours += max(0, e.CabinC.Value-e.OutsideC.Value) * h
		r.DegreeH += h
	}
}

// burn counts who burned it, and how near the supply came to its end.
func (r *running) burn(p *Params, e *estimate.Estimates, h float64) {
	if e.HeaterKgPerH.Known() {
		r.HeaterKg += e.HeaterKgPerH.Value * h
		if e.HeaterKgPerH.Value > 0 {
			r.HeaterH += h
		}
	}
	if e.OtherKgPerH.Known() {
		r.OtherKg += e.OtherKgPerH.Value * h
	}
	for _, s := range e.Shares {
		i := slices.IndexFunc(r.Appliances, func(a ApplianceUse) bool { return a.Name == s.Name })
		if i < 0 {
			i = len(r.Appliances)
			r.Appliances = append(r.Appliances, ApplianceUse{Name: s.Name})
		}
		r.Appliances[i].Kg += s.KgPerH * h
		if s.Sure && !slices.Contains(p.Heaters, s.Name) {
			r.SureKg += s.KgPerH * h
		}
	}
	r.Supply.add(e.SupplyRatio)
	r.Seat.add(e.SeatMarginK)
	if e.Starved == estimate.Yes {
		r.StarvedH += h
	}
	r.Dry = r.Dry || e.FuelKg.Known() && e.Cylinder == estimate.Present && e.FuelKg.Value < unusableKg
}

// electricity counts what the loads draw by the battery's own voltage, or where that is not
// known by the load's. What they draw in a gap nobody knows: the board may have lost its supply with them.
func (r *running) electricity(p *Params, e *estimate.Estimates, h float64) {
	same := func(u LoadUse, l Load) bool { return u.Name == l.Name }
	if !slices.EqualFunc(r.Loads, p.Loads, same) { // the first tick, or another configuration
		loads := make([]LoadUse, len(p.Loads))
		for i, load := range p.Loads {
			loads[i].Name = load.Name
			if k := slices.IndexFunc(r.Loads, func(u LoadUse) bool { return same(u, load) }); k >= 0 {
				loads[i] = r.Loads[k]
			}
		}
		r.Loads = loads
	}
	for i, load := range p.Loads {
		if load.WithHeater && !(e.HeaterKgPerH.Known() && e.HeaterKgPerH.Value > 0) {
			continue
		}
		volts := load.volts(e)
		amps := load.DrawA
		if load.DrawW > 0 {
			amps = load.DrawW / volts
		}
		r.Loads[i].ChargeAh += amps * h
		r.Loads[i].EnergyWh += amps * volts * h
	}
}

// volts is the battery's own voltage, or where that is not known the load's.
func (load *Load) volts(e *estimate.Estimates) float64 {
	if v := e.BatteryV; v.Known() && v.Value > 1 {
		return v.Value
	}
	return max(load.NominalV, 1)
}

func (l *Ledger) close() *Night {
	r := l.open
	l.open = nil
	l.hasTonight = false
	span := r.To.Sub(r.From).Hours()
	// Time of the window that neither was watched nor counted as a gap was lived by nobody.
	r.GapH = min(span, max(r.GapH, span-r.WatchedH))
	l.ended, l.endKg, l.endDate = true, r.LastKg, r.Date
	if r.LivedH < leastLived {
		return nil
	}
	n := Night{Kind: "night", Date: r.Date, FromWall: r.From.UTC().Format(time.RFC3339),
		ToWall: r.To.UTC().Format(time.RFC3339), Version: ModelVersion,
		HighestBand: string(bands[r.Band]), WatchedH: round(r.WatchedH, 2), GapH: round(r.GapH, 2),
		Alarms: r.Alarms, Moved: r.Moved, CylinderChanged: r.Changed, ClockUntrusted: r.Untrusted,
		LeastSupplyRatio: r.Supply.num(2), LeastSeatMarginK: r.Seat.num(1),
		RanShort: r.Dry || r.StarvedH >= leastShortH}
	l.fuelOf(r, &n, span)
	if r.Outside.H > 0 {
		n.OutsideLowC, n.OutsideMeanC = num(r.Outside.LowC, 1), num(r.Outside.SumCH/r.Outside.H, 1)
	}
	if r.Cabin.H > 0 {
		n.CabinLowC, n.CabinMeanC = num(r.Cabin.LowC, 1), num(r.Cabin.SumCH/r.Cabin.H, 1)
	}
	if r.HasPipe {
		n.PipeLowC = num(r.PipeLowC, 1)
	}
	if r.DegreeH > 0 {
		n.DegreeHours = num(r.DegreeHours, 1)
	}
	for _, u := range r.Loads {
		n.Loads = append(n.Loads, LoadUse{u.Name, round(u.EnergyWh, 1), round(u.ChargeAh, 2)})
	}
	r.Forecast.into(&n)
	l.recent = append(append([]Night(nil), l.recent...), n)
	if len(l.recent) > keepNights {
		l.recent = l.recent[len(l.recent)-keepNights:]
	}
	l.heat.add(n)
	l.scored = false
	return &n
}

// fuelOf fills in what the night burned, if enough of it was weighed to say so.
func (l *Ledger) fuelOf(r *running, n *Night, spanH float64) {
	if r.WatchedH < mostlyFrac*spanH || r.LastKg < r.FirstKg {
		return
	}
	burned, doubt := r.burnedKg()
	half := math.Hypot(math.Hypot(burnErrFrac*burned, endsErrKg), doubt)
	if r.HasLocker {
		half = math.Hypot(half, l.p.DriftKgPerK*(r.LockerLastC-r.LockerFirstC))
	} else {
		half = math.Hypot(half, l.p.DriftKgPerK*10) // a night's swing, unmeasured
	}
	n.BurnedKg = num(burned, 4)
	// In a gap the total goes on as before; it may have been nothing, or the heater at its full input.
	n.BurnedLowKg = num(max(0, burned-half-burned/max(r.SinceH, r.WatchedH, 1)*min(r.GapH, max(0, r.SinceH-r.WatchedH))), 4)
	n.BurnedHighKg = num(burned+half+max(gapBurnKgPerH, l.p.HeaterKgPerH)*r.GapH, 4)
	// A flame is recognised some time after it is lit, two of one size are taken for each other,
	// and the weight misses neither: what was recognised is the least the heater can have
	// burned, what was not surely another's the most.
	low := min(r.HeaterKg, burned)
	high := low
	if r.HeaterH > 0 {
		high = max(low, burned-r.SureKg)
	}
	heater := (low + high) / 2
	n.HeaterKg, n.OtherKg, n.HeaterH = num(heater, 4), num(burned-heater, 4), num(r.HeaterH, 2)
	n.HeaterLowKg, n.HeaterHighKg = num(low, 4), num(high, 4)
	n.EnergyMJ = num(burned*l.p.fuelMJPerKg(), 2)
	if r.DayKg != nil {
		n.DayKg = num(*r.DayKg, 4)
	}
	for _, a := range r.Appliances {
		n.Appliances = append(n.Appliances, ApplianceUse{a.Name, round(a.Kg, 4)})
	}
}

// fuelMJPerKg is the net heating value of what burns: of the blend's liquid if it is known,
// else of propane, which is 0.6 % above a mix and at most 1.7 % above butane.
func (p *Params) fuelMJPerKg() float64 {
	if f, ok := lpg.BlendByMass(p.PropaneMassFrac, lpg.NButane); ok && p.PropaneMassFrac > 0 {
		if mJ, ok := f.HeatingMJPerKg(lpg.Net); ok {
			return mJ
		}
	}
	return netMJPerKg()
}

// GrossPerNet is the gross heating value of propane over its net one.
func GrossPerNet() float64 {
	mJ, _ := lpg.Pure(lpg.Propane).HeatingMJPerKg(lpg.Gross) // propane has one
	return mJ / netMJPerKg()
}

var bands = [...]estimate.GasBand{estimate.Background, estimate.Blind, estimate.Trace, estimate.Warning, estimate.Leave}

// bandRank orders bands by how much a night's row should say of them: blind hides more
// than background and less than vapours that were seen.
func bandRank(b estimate.GasBand) int {
	for i, x := range bands {
		if x == b {
			return i
		}
	}
	return 1
}
