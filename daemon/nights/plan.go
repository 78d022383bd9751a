package nights

import (
	"fmt"
	"math"
	"strconv"

	"frostline/daemon/lpg"
	"frostline/daemon/supply"
)

// What [Plan] accepts; beyond it lies a slip of unit rather than a van.
const (
	mostPlanKg     = 5000.0 // more than the largest cylinder holds
	mostPlanKgPerH = 100.0  // what [supply.Cylinder.Step] follows
	mostPlanM      = 6000.0 // above the highest road
	mostAppliances = 32
	minPerDay      = 24 * 60
)

// NotFollowed ends a run of a plan where the model ends before the fuel does; the run's Why
// says what it met.
const NotFollowed supply.Limit = "not-assessed"

// PlanParams is a what-if: a cylinder, what draws on it and the air it stands in. The plan
// begins at the start of a night.
type PlanParams struct {
	Fuel          lpg.Fuel        // of the liquid at the start; unset where the blend is not known
	Cylinder      supply.Cylinder // its shape
	StartKg       float64         // contents at the start, above 0 to 5000 kg
	StartTempC    *float64        // of the liquid at the start, -50 to 60 C; nil is that of the air
	Appliances    []PlanAppliance // at least one that draws
	AirLowC       float64         // about the cylinder at 06:00, -50 to 60 C
	AirHighC      float64         // at 15:00; the same as AirLowC for constant air
	AltitudeM     float64         // -500 to 6000 m
	TwoStage      bool            // of the regulator
	LeastGaugeKPa float64         // least inlet pressure of the regulator, to 1000 kPa; 0 is [supply.LeastInletGaugeKPa]
	UAWPerK       float64         // conductance to the air, to 100 W/K; 0 computes it from the shape and the level
	NightStartMin int             // minutes after midnight, 0 to 1439
	NightEndMin   int             // other than the start
	HorizonH      float64         // stop looking after so long, to [supply.MostHours]; 0 is that
}

// PlanAppliance is one consumer. Its input is stated as heat or as a flow of fuel, for sea
// level and as its plate does.
type PlanAppliance struct {
	Name      string
	InputKW   float64   // 0 where KgPerH is given
	Basis     lpg.Basis // of InputKW
	KgPerH    float64   // 0 where InputKW is given
	DutyFrac  float64   // share of the time that it is on, at full input, 0 to 1
	NightOnly bool      // on in the hours of the night alone; the duty is of those hours
}

// Planned is the answer to a [PlanParams].
//
// The liquid follows the mean draw, each appliance's flow times its duty; how it swings about
// that as a burner comes and goes is not followed. Supply ratio and seat margin are for full
// flow: everything on at once that may be on at that hour.
//
// An orifice that nobody changes for the altitude passes less there, by OrificeRatio; a
// duty is taken as given, though a thermostat would lengthen it.
type Planned struct {
	AirKPa        float64        `json:"air_kpa"`         // of the atmosphere, absolute
	LeastGaugeKPa float64        `json:"least_gauge_kpa"` // what the regulator needs, above the atmosphere
	LimitTempC    *float64       `json:"limit_c,omitempty"`
	OrificeRatio  float64        `json:"orifice_ratio"` // flow over that at sea level
	Appliances    []PlannedDraw  `json:"appliances"`
	FullKgPerH    float64        `json:"full_kg_per_h"` // all of them on, with the vapour of the start
	DayKg         float64        `json:"day_kg"`        // drawn in 24 h, with the vapour of the start
	ByMassH       float64        `json:"by_mass_h"`     // contents over the mean draw of a day: never less than the truth
	Runs          []PlanRun      `json:"runs"`          // the likely one first, then the least and the most heat from the air
	NotAssessed   []PlanNotKnown `json:"not_assessed,omitempty"`
}

// PlannedDraw is what one appliance takes at this altitude.
type PlannedDraw struct {
	Name       string  `json:"name"`
	FullKgPerH float64 `json:"full_kg_per_h"` // while on
	DayKg      float64 `json:"day_kg"`
}

// PlanNotKnown is a part of the likely run that could not be said, from when on, and why.
type PlanNotKnown struct {
	What  string  `json:"what"`
	FromH float64 `json:"from_h"`
	Why   string  `json:"why"`
}

// PlanRun is the draw followed to its end, at one film coefficient. It ends by pressure when
// the cylinder, cooled by the mean draw, stands at what the regulator needs; by contents when
// what is left no longer feeds it; by none at the horizon.
type PlanRun struct {
	FilmWPerM2K float64      `json:"film_w_per_m2k,omitempty"` // 0 where the conductance was given
	UAWPerK     float64      `json:"ua_w_per_k"`               // at the start; 0 if not known
	Ends        supply.Limit `json:"ends"`
	AfterH      float64      `json:"after_h"`
	NightsN     float64      `json:"nights"` // hours of the night lived, over those of one
	Why         string       `json:"why,omitempty"`
	// Everything at full input without a pause, at any hour that it may be on.
	FullEnds   supply.Limit `json:"full_input_ends"`
	FullAfterH float64      `json:"full_input_after_h"`
	// The worst moments; absent where never assessed.
	LeastGauge      *PlanMoment  `json:"least_gauge,omitempty"`
	LeastRatio      *PlanMoment  `json:"least_supply_ratio,omitempty"`
	LeastMargin     *PlanMoment  `json:"least_seat_margin,omitempty"`
	LeastAdiabaticK *float64     `json:"seat_margin_low_k,omitempty"` // the lowest of the lower bounds
	Risk            supply.Risk  `json:"freeze_risk"`                 // the worst of the run
	MayCondense     bool         `json:"may_condense"`                // the air is at some hour well colder than the liquid
	Course          []PlanMoment `json:"course,omitempty"`            // at even hours, and the end
	notKnown        []PlanNotKnown
}

// PlanMoment is the state at one time of a run.
type PlanMoment struct {
	AfterH          float64   `json:"after_h"`
	Clock           string    `json:"clock"` // 18:00
	AirTempC        float64   `json:"air_c"`
	ContentsKg      float64   `json:"contents_kg"`
	ByMassH         float64   `json:"by_mass_h"` // contents over the mean draw of a day
	PropaneMassFrac float64   `json:"propane_mass_frac"`
	LiquidTempC     float64   `json:"liquid_c"`
	CylinderKPa     float64   `json:"cylinder_kpa"`              // absolute
	GaugeKPa        float64   `json:"gauge_kpa"`                 // the same above the atmosphere; the pressure limit is stated so
	MeanKgPerH      float64   `json:"mean_kg_per_h"`             // with the duties
	FullKgPerH      float64   `json:"full_kg_per_h"`             // everything on that may be on at this hour
	SteadyKgPerH    *float64  `json:"steady_kg_per_h,omitempty"` // what the heat of this air could boil off for ever at the pressure limit
	SupplyRatio     *float64  `json:"supply_ratio,omitempty"`    // that over FullKgPerH; absent if nothing may be on or no liquid is left
	Seat            *PlanSeat `json:"seat,omitempty"`            // absent if nothing may be on, or not assessed
}

// PlanSeat is the first seat of the regulator at full flow; see [supply.Seat]. Every number
// about ice is for fuel that is wet, which nobody knows.
type PlanSeat struct {
	ThrottledTempC float64     `json:"throttled_c"`
	BodyTempC      float64     `json:"body_c"`
	SolidTempC     float64     `json:"solid_c"`
	MarginK        float64     `json:"seat_margin_k"`
	AdiabaticK     float64     `json:"seat_margin_low_k"` // no heat from the body
	DepositGPerH   float64     `json:"deposit_g_per_h"`   // at most
	Risk           supply.Risk `json:"freeze_risk"`
}

// Plan follows the draw from the start of a night until pressure or contents end it, at the
// usual film coefficient and at both ends of its range, which is the largest unknown; with a
// given conductance, once. It reads no clock and no chance: the same arguments, the same plan.
//
// An error is a what-if that makes no sense, and names what to give instead. What makes
// sense but lies outside a model is not assessed, with the reason; the rest is answered.
//
// Against both rows of scenarios.csv: the liquid within 0.02 K, pressure 0.1 %, margins
// 0.08 K. The heat from the air and the regulator's are engineering estimates, +-30 %.
func Plan(p PlanParams) (Planned, error) {
	if p.LeastGaugeKPa == 0 {
		p.LeastGaugeKPa = supply.LeastInletGaugeKPa
	}
	if p.HorizonH == 0 {
		p.HorizonH = supply.MostHours
	}
	if err := p.check(); err != nil {
		return Planned{}, err
	}
	var out Planned
	out.AirKPa, _ = lpg.AtmosphereKPa(p.AltitudeM)
	out.OrificeRatio, _ = lpg.OrificeRatio(out.AirKPa)
	out.LeastGaugeKPa = p.LeastGaugeKPa
	if limitC, ok := supply.LimitC(p.Fuel, out.AirKPa, p.LeastGaugeKPa); ok {
		out.LimitTempC = &limitC
	}
	gas := p.burned(p.Fuel, p.startC())
	nightFrac := p.nightH() / 24
	for _, a := range p.Appliances {
		flow := a.flowKgPerH(gas) * out.OrificeRatio
		day := flow * a.DutyFrac * 24
		if a.NightOnly {
			day *= nightFrac
		}
		out.Appliances = append(out.Appliances, PlannedDraw{a.Name, flow, day})
		out.DayKg += day
	}
	_, out.FullKgPerH = p.drawKgPerH(gas, p.NightStartMin, out.OrificeRatio)
	switch {
	case !(out.DayKg > 0):
		return Planned{}, fmt.Errorf("no appliance draws anything; give one with an input and a duty above 0")
	case out.FullKgPerH > mostPlanKgPerH:
		return Planned{}, fmt.Errorf("the appliances together take %s kg/h, more than %g; check the units of their inputs", plain(out.FullKgPerH), mostPlanKgPerH)
	}
	out.ByMassH = 24 * p.StartKg / out.DayKg
	for _, film := range p.films() {
		out.Runs = append(out.Runs, p.follow(out, film))
	}
	out.NotAssessed = out.Runs[0].notKnown
	return out, nil
}

// films are the coefficients to follow the draw at, 0 for a given conductance.
func (p *PlanParams) films() []float64 {
	if p.UAWPerK > 0 {
		return []float64{0}
	}
	return []float64{supply.FilmWPerM2K, supply.LeastFilmWPerM2K, supply.MostFilmWPerM2K}
}

func (p *PlanParams) check() error {
	within := func(v, low, high float64) bool { return v >= low && v <= high } // false for NaN
	switch {
	case !p.Cylinder.Known():
		return fmt.Errorf("the cylinder of %s L and %s m has no shape with two heads; give a common size, or its water capacity and outside diameter", plain(p.Cylinder.VolumeL), plain(p.Cylinder.DiameterM))
	case !(p.StartKg > 0) || p.StartKg > mostPlanKg:
		return fmt.Errorf("the fill of %s kg must lie above 0 and up to %g kg; give what is in the cylinder now", plain(p.StartKg), mostPlanKg)
	case !within(p.AirLowC, lpg.MinTempC, lpg.MaxTempC) || !within(p.AirHighC, lpg.MinTempC, lpg.MaxTempC):
		return fmt.Errorf("the air of %s to %s C must lie between %g and %g C; give the air about the cylinder", plain(p.AirLowC), plain(p.AirHighC), lpg.MinTempC, lpg.MaxTempC)
	case p.AirLowC > p.AirHighC:
		return fmt.Errorf("the air's low of %s C is above its high of %s C; exchange them", plain(p.AirLowC), plain(p.AirHighC))
	case p.StartTempC != nil && !within(*p.StartTempC, lpg.MinTempC, lpg.MaxTempC):
		return fmt.Errorf("the liquid at the start of %s C must lie between %g and %g C; leave it out to take the air's", plain(*p.StartTempC), lpg.MinTempC, lpg.MaxTempC)
	case !within(p.AltitudeM, -500, mostPlanM):
		return fmt.Errorf("the altitude of %s m must lie between -500 and %g m", plain(p.AltitudeM), mostPlanM)
	case !within(p.LeastGaugeKPa, 0, 1000):
		return fmt.Errorf("the regulator's least inlet of %s kPa must lie above 0 and up to 1000 kPa gauge; its data sheet says it", plain(p.LeastGaugeKPa))
	case !within(p.UAWPerK, 0, 100):
		return fmt.Errorf("the conductance of %s W/K must lie above 0 and up to 100 W/K; leave it out to have it computed", plain(p.UAWPerK))
	case !within(p.HorizonH, 0, supply.MostHours):
		return fmt.Errorf("the horizon of %s h must lie above 0 and up to %g h", plain(p.HorizonH), supply.MostHours)
	case p.NightStartMin < 0 || p.NightStartMin >= minPerDay || p.NightEndMin < 0 || p.NightEndMin >= minPerDay || p.NightStartMin == p.NightEndMin:
		return fmt.Errorf("the night from minute %d to %d of the day must have two different ends from 0 to %d", p.NightStartMin, p.NightEndMin, minPerDay-1)
	case len(p.Appliances) == 0 || len(p.Appliances) > mostAppliances:
		return fmt.Errorf("%d appliances; give 1 to %d", len(p.Appliances), mostAppliances)
	}
	for i, a := range p.Appliances {
		if a.Name == "" {
			a.Name = fmt.Sprint(i + 1)
		}
		if err := a.check(); err != nil {
			return fmt.Errorf("appliance %s: %w", a.Name, err)
		}
	}
	return nil
}

func (a PlanAppliance) check() error {
	switch {
	case !(a.InputKW >= 0) || a.InputKW > 1000 || !(a.KgPerH >= 0) || a.KgPerH > mostPlanKgPerH || a.InputKW == 0 && a.KgPerH == 0:
		return fmt.Errorf("its input must lie above 0 and up to 1000 kW or %g kg/h; its plate says it", mostPlanKgPerH)
	case a.InputKW > 0 && a.KgPerH > 0:
		return fmt.Errorf("its input is given as heat and as a flow; give one of them")
	case a.InputKW > 0 && a.Basis != lpg.Gross && a.Basis != lpg.Net:
		return fmt.Errorf("its input needs a basis, net (Hi) or gross (Hs); US plates are gross, European ones either")
	case !(a.DutyFrac >= 0 && a.DutyFrac <= 1):
		return fmt.Errorf("its duty of %s must lie between 0 and 1, the share of the time that it is on", plain(a.DutyFrac))
	}
	return nil
}

// plain writes what a person gave in digits, as they gave it but for the noise of a conversion.
func plain(v float64) string {
	rounded, err := strconv.ParseFloat(strconv.FormatFloat(v, 'g', 6, 64), 64)
	if err != nil {
		rounded = v // next to the largest number there is
	}
	return strconv.FormatFloat(rounded, 'f', -1, 64)
}

// flowKgPerH is the flow at sea level while the appliance burns gas.
func (a PlanAppliance) flowKgPerH(gas lpg.Fuel) float64 {
	if a.KgPerH > 0 {
		return a.KgPerH
	}
	flow, _ := gas.BurnKgPerH(a.InputKW, a.Basis) // checked before
	return flow
}

// burned is what the appliances get from liquid at tempC. Where the blend is not known it is
// taken as propane, whose heating value butane's is less than 2 % below.
func (p *PlanParams) burned(liquid lpg.Fuel, tempC float64) lpg.Fuel {
	if gas, ok := liquid.Vapour(tempC); ok {
		return gas
	}
	if liquid.Known() {
		return liquid
	}
	return lpg.Pure(lpg.Propane)
}

// drawKgPerH is the mean draw and the full flow at a minute of the day. An appliance that is
// never on counts in neither.
func (p *PlanParams) drawKgPerH(gas lpg.Fuel, clockMin int, orifice float64) (mean, full float64) {
	for _, a := range p.Appliances {
		if a.DutyFrac == 0 || a.NightOnly && !p.night(clockMin) {
			continue
		}
		flow := a.flowKgPerH(gas) * orifice
		mean += flow * a.DutyFrac
		full += flow
	}
	return mean, full
}

// night reports whether a minute of the day is of the night.
func (p *PlanParams) night(clockMin int) bool {
	if p.NightStartMin < p.NightEndMin {
		return clockMin >= p.NightStartMin && clockMin < p.NightEndMin
	}
	return clockMin >= p.NightStartMin || clockMin < p.NightEndMin
}

func (p *PlanParams) nightH() float64 {
	return float64((p.NightEndMin-p.NightStartMin+minPerDay)%minPerDay) / 60
}

// Hours of the day at which the air is coldest and warmest. Common practice, no source.
const (
	coldestH = 6.0
	warmestH = 15.0
)

// airC is the air s seconds after the start: two half waves between low and high.
func (p *PlanParams) airC(s float64) float64 {
	middle, swing := (p.AirLowC+p.AirHighC)/2, (p.AirHighC-p.AirLowC)/2
	hour := math.Mod(float64(p.NightStartMin)/60+s/3600, 24)
	if hour >= coldestH && hour < warmestH {
		swing *= -math.Cos(math.Pi * (hour - coldestH) / (warmestH - coldestH))
	} else {
		swing *= math.Cos(math.Pi * math.Mod(hour-warmestH+24, 24) / (24 - warmestH + coldestH))
	}
	return min(max(middle+swing, p.AirLowC), p.AirHighC) // rounding must not leave the range
}

func (p *PlanParams) startC() float64 {
	if p.StartTempC != nil {
		return *p.StartTempC
	}
	return p.airC(0)
}
