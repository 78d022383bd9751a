package nights

import (
	"encoding/json"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"frostline/daemon/lpg"
	"frostline/daemon/supply"
	"frostline/testdata/reference"
)

// winterVan is a full 20 lb cylinder in constant air, and a heater of 2 kW net that is on
// half of the time.
func winterVan(airC float64) PlanParams {
	size, _ := supply.Named("us-20lb")
	return PlanParams{Fuel: lpg.Pure(lpg.Propane), Cylinder: size.Cylinder(), StartKg: size.FillKg,
		Appliances: []PlanAppliance{{Name: "heater", InputKW: 2, Basis: lpg.Net, DutyFrac: 0.5}},
		AirLowC:    airC, AirHighC: airC, NightStartMin: 18 * 60, NightEndMin: 10 * 60}
}

// planned makes a plan that must be one.
func planned(t interface {
	Helper()
	Fatalf(string, ...any)
}, p PlanParams) Planned {
	t.Helper()
	plan, err := Plan(p)
	if err != nil {
		t.Fatalf("%+v: %v", p, err)
	}
	return plan
}

// Source: scenarios.csv, both whole chains: cylinder, regulator, capacity. Tolerances are
// those of the models: the transient 0.02 K, throttling 0.33 K, the rest print rounding.
func TestThePlanReproducesTheScenarios(t *testing.T) {
	temp, kg := reference.Abs(t, "liquid C", 0.02), reference.Abs(t, "contents kg", 6e-4)
	abs, gauge := reference.Pct(t, "cylinder kPa", 0.1), reference.Pct(t, "gauge kPa", 0.1)
	throttled, body := reference.Abs(t, "behind the first seat C", 0.33), reference.Abs(t, "body C", 0.1)
	solid := reference.Abs(t, "solid threshold C", 0.02)
	bound, margin := reference.Abs(t, "adiabatic margin K", 0.33), reference.Abs(t, "seat margin K", 0.1)
	capacity, ratio := reference.Abs(t, "steady capacity kg/h", 6e-4), reference.Abs(t, "supply ratio", 0.0051)
	byMass := reference.Abs(t, "hours by mass", 0.051)
	for _, r := range reference.Rows(t, "scenarios.csv", 2) {
		at, startC := r.Cell["case"], r.Num("initial_liquid_temp_C")
		plan := planned(t, PlanParams{
			Fuel:     lpg.Pure(lpg.Propane),
			Cylinder: supply.Cylinder{DiameterM: 0.3054, WallM: 0.0026, VolumeL: 1000 * r.Num("cylinder_volume_m3"), WallJPerK: r.Num("wall_heat_capacity_J_K")},
			StartKg:  r.Num("initial_contents_kg"), StartTempC: &startC,
			Appliances: []PlanAppliance{{Name: "flow", KgPerH: r.Num("flow_kg_h"), DutyFrac: 1}},
			AirLowC:    r.Num("locker_air_C"), AirHighC: r.Num("locker_air_C"), AltitudeM: r.Num("altitude_m"),
			TwoStage: r.Num("stages") == 2, UAWPerK: r.Num("UA_cylinder_W_K"), HorizonH: r.Num("duration_h"),
			NightStartMin: 18 * 60, NightEndMin: 10 * 60,
		})
		if len(plan.Runs) != 1 {
			t.Fatalf("case %s: %d runs, want one with the given conductance", at, len(plan.Runs))
		}
		run := plan.Runs[0]
		if run.Ends != supply.NoLimit || r.Cell["hours_until_75_kPa_gauge"] != "" {
			t.Errorf("case %s ends by %s, want the horizon first, as the table", at, run.Ends)
		}
		end := run.Course[len(run.Course)-1]
		if math.Abs(end.AfterH-r.Num("duration_h")) > 1e-9 {
			t.Errorf("case %s: the course ends after %g h", at, end.AfterH)
		}
		temp.That(end.LiquidTempC, true, r.Num("liquid_temp_C"), at)
		kg.That(end.ContentsKg, true, r.Num("contents_kg"), at)
		abs.That(end.CylinderKPa, true, r.Num("cylinder_pressure_kPa_abs"), at)
		gauge.That(end.GaugeKPa, true, r.Num("cylinder_pressure_kPa_gauge"), at)
		if end.Seat == nil || end.SupplyRatio == nil {
			t.Fatalf("case %s: the end is not assessed: %+v", at, plan.NotAssessed)
		}
		throttled.That(end.Seat.ThrottledTempC, true, r.Num("t_after_first_seat_C"), at)
		body.That(end.Seat.BodyTempC, true, r.Num("t_body_C"), at)
		solid.That(end.Seat.SolidTempC, true, r.Num("t_solid_threshold_C"), at)
		bound.That(end.Seat.AdiabaticK, true, r.Num("margin_adiabatic_K"), at)
		margin.That(end.Seat.MarginK, true, r.Num("margin_body_K"), at)
		capacity.That(*end.SteadyKgPerH, true, r.Num("steady_capacity_kg_h"), at)
		ratio.That(*end.SupplyRatio, true, r.Num("supply_ratio_capacity_over_flow"), at)
		byMass.That(end.ByMassH, true, r.Num("run_time_left_h_by_mass"), at)
		if end.Seat.Risk != supply.LikelyIfWet || run.Risk != supply.LikelyIfWet {
			t.Errorf("case %s: risk %q, want likely if wet with a body below the threshold", at, end.Seat.Risk)
		}
	}
}

// In constant air without a day cycle the plan and the tested Endure are the same physics;
// they differ by the length of their steps.
func TestAPlanInStillAirEndsAsEndureDoes(t *testing.T) {
	mixed, _ := lpg.BlendByMass(0.6, lpg.NButane)
	for _, c := range []struct {
		name string
		fuel lpg.Fuel
		airC float64
		kgH  float64
	}{
		{"cold and hungry", lpg.Pure(lpg.Propane), -15, 0.6}, {"mild", lpg.Pure(lpg.Propane), 5, 0.3},
		{"a mix in the cold", mixed, 0, 0.2}, {"a mix in the warmth", mixed, 20, 0.2},
	} {
		p := winterVan(c.airC)
		p.Fuel = c.fuel
		p.Appliances = []PlanAppliance{{KgPerH: c.kgH, DutyFrac: 1}}
		run := planned(t, p).Runs[0]
		want, ok := p.Cylinder.Endure(c.fuel, supply.Contents{ContentsKg: p.StartKg, LiquidTempC: c.airC},
			supply.Draw{AirTempC: c.airC, FilmWPerM2K: supply.FilmWPerM2K, KgPerH: c.kgH, LeastKPa: 101.325 + supply.LeastInletGaugeKPa})
		if !ok || run.Ends != want.Ends || math.Abs(run.AfterH-want.AfterH) > 0.015+0.003*want.AfterH {
			t.Errorf("%s: %s after %g h, Endure says %+v %v", c.name, run.Ends, run.AfterH, want, ok)
		}
		if leftKg := run.Course[len(run.Course)-1].ContentsKg; math.Abs(p.StartKg-c.kgH*run.AfterH-leftKg) > 1e-6 {
			t.Errorf("%s: %g kg less %g h of %g kg/h leave %g kg", c.name, p.StartKg, run.AfterH, c.kgH, leftKg)
		}
		if run.FullEnds != run.Ends || run.FullAfterH != run.AfterH {
			t.Errorf("%s: on all the time, yet full input without a pause ends by %s after %g h", c.name, run.FullEnds, run.FullAfterH)
		}
	}
}

// The duty lengthens the hours, not the full flow that the regulator and the supply ratio see.
func TestDutyThinsTheMeanDrawAlone(t *testing.T) {
	p := winterVan(0)
	half := planned(t, p)
	p.Appliances[0].DutyFrac = 1
	whole := planned(t, p)
	if half.FullKgPerH != whole.FullKgPerH || math.Abs(half.DayKg/whole.DayKg-0.5) > 1e-12 {
		t.Errorf("full flow %g and %g, a day %g and %g; want the same flow and half the day", half.FullKgPerH, whole.FullKgPerH, half.DayKg, whole.DayKg)
	}
	first, firstWhole := half.Runs[0].Course[0], whole.Runs[0].Course[0]
	if first.Seat == nil || firstWhole.Seat == nil || first.SupplyRatio == nil || *first.Seat != *firstWhole.Seat || *first.SupplyRatio != *firstWhole.SupplyRatio {
		t.Errorf("at the start seat and supply ratio differ by the duty: %+v and %+v", first.Seat, firstWhole.Seat)
	}
	if ratio := half.Runs[0].AfterH / whole.Runs[0].AfterH; half.Runs[0].Ends != supply.ContentsLimit || math.Abs(ratio-2) > 0.02 || first.MeanKgPerH != first.FullKgPerH/2 {
		t.Errorf("on half of the time it lasts %g h, all of the time %g, want twice as long; mean draw %g of %g kg/h", half.Runs[0].AfterH, whole.Runs[0].AfterH, first.MeanKgPerH, first.FullKgPerH)
	}
	if half.Runs[0].FullAfterH != whole.Runs[0].AfterH {
		t.Errorf("without a pause it lasts %g h, want the %g h of a duty of 1", half.Runs[0].FullAfterH, whole.Runs[0].AfterH)
	}
}

// A blend loses its propane, and the supply ratio is judged with what is left of it.
func TestABlendIsJudgedAsItIsThen(t *testing.T) {
	p := winterVan(0)
	p.Fuel, _ = lpg.BlendByMass(0.6, lpg.NButane)
	p.UAWPerK = 2.5
	course := planned(t, p).Runs[0].Course
	steady := reference.Abs(t, "steady kg/h", 1e-9)
	for _, m := range course {
		if m.SupplyRatio == nil {
			continue
		}
		left, _ := lpg.BlendByMass(m.PropaneMassFrac, lpg.NButane)
		limitC := reference.Must(t)(supply.LimitC(left, 101.325, supply.LeastInletGaugeKPa))
		want, _ := supply.SteadyKgPerH(left, p.UAWPerK, m.AirTempC, limitC)
		steady.That(*m.SteadyKgPerH, true, want, m.AfterH)
	}
	if first, last := course[0], course[len(course)-1]; first.PropaneMassFrac < 0.599 || last.PropaneMassFrac > 0.55 {
		t.Errorf("propane goes from %g to %g, want it stripped", first.PropaneMassFrac, last.PropaneMassFrac)
	}
}

// An appliance of the night draws in its hours alone, and the nights are counted in them.
func TestAnApplianceOfTheNightDrawsAtNight(t *testing.T) {
	p := winterVan(5)
	p.Appliances[0] = PlanAppliance{KgPerH: 0.1, DutyFrac: 1, NightOnly: true}
	plan := planned(t, p)
	if math.Abs(plan.DayKg-1.6) > 1e-9 { // 16 h of 0.1 kg/h
		t.Errorf("a day takes %g kg, want 1.6", plan.DayKg)
	}
	run := plan.Runs[0]
	if run.Ends != supply.ContentsLimit || math.Abs(run.NightsN-(p.StartKg-0.15)/1.6) > 0.07 {
		t.Errorf("%s after %g nights, want the contents after about %g", run.Ends, run.NightsN, p.StartKg/1.6)
	}
	seen := 0
	for _, m := range run.Course {
		day := m.Clock >= "10:00" && m.Clock < "18:00"
		if day != (m.MeanKgPerH == 0) || day != (m.FullKgPerH == 0) || day != (m.Seat == nil) || day != (m.SupplyRatio == nil) && m.ContentsKg > 0.5 {
			t.Fatalf("at %s: %+v", m.Clock, m)
		}
		if day {
			seen++
		}
	}
	if seen == 0 || len(plan.NotAssessed) > 0 {
		t.Errorf("%d hours of the day; not assessed: %+v", seen, plan.NotAssessed)
	}
}

// Low and high make a day: the coldest at six, the warmest at three.
func TestTheAirOfADay(t *testing.T) {
	p := winterVan(0)
	p.AirLowC, p.AirHighC = -14, 2
	air := reference.Abs(t, "air C", 1e-9)
	for clockH, want := range map[float64]float64{6: -14, 15: 2, 10.5: -6, 22.5: -6} {
		for day := 1.0; day < 4; day++ {
			air.That(p.airC(3600*(clockH-18+24*day)), true, want, clockH)
		}
	}
	var low, high float64 = 99, -99
	for _, m := range planned(t, p).Runs[0].Course {
		low, high = min(low, m.AirTempC), max(high, m.AirTempC)
	}
	if low < -14 || low > -13.5 || high > 2 || high < 1.5 {
		t.Errorf("the course lives from %g to %g C, want -14 to 2", low, high)
	}
}

// An unchanged orifice passes less in thin air: 0.916 at 1500 m (physics.md section 8).
func TestAnUnchangedOrificePassesLessAtAltitude(t *testing.T) {
	p := winterVan(0)
	low := planned(t, p)
	p.AltitudeM = 1500
	high := planned(t, p)
	ratio := reference.Abs(t, "flow over that at sea level", 0.0005)
	ratio.That(high.FullKgPerH/low.FullKgPerH, true, 0.916)
	ratio.That(high.OrificeRatio, true, 0.916)
	reference.Abs(t, "atmosphere kPa", 0.0005).That(high.AirKPa, true, 84.556)
	if low.OrificeRatio != 1 {
		t.Errorf("at sea level the ratio is %g", low.OrificeRatio)
	}
}

// The ends of the film coefficient stand about the likely answer, and both are given.
func TestBothEndsOfTheHeatFromTheAirAreGiven(t *testing.T) {
	p := winterVan(-20)
	p.Appliances[0].DutyFrac = 1
	runs := planned(t, p).Runs
	if len(runs) != 3 || runs[0].FilmWPerM2K != 8.5 || runs[1].FilmWPerM2K != 6 || runs[2].FilmWPerM2K != 13 {
		t.Fatalf("runs %+v, want at 8.5, 6 and 13 W/m2K", runs)
	}
	if !(runs[1].AfterH < runs[0].AfterH && runs[0].AfterH < runs[2].AfterH) {
		t.Errorf("%g, %g, %g h: less heat must not last longer", runs[1].AfterH, runs[0].AfterH, runs[2].AfterH)
	}
	if a, b, c := *runs[1].Course[0].SupplyRatio, *runs[0].Course[0].SupplyRatio, *runs[2].Course[0].SupplyRatio; !(a < b && b < c) {
		t.Errorf("supply ratios %g, %g, %g at the start: want more with more heat", a, b, c)
	}
}

// What cannot be judged is said with its reason, and the rest of the plan stands.
func TestWhatIsNotAssessedSaysWhy(t *testing.T) {
	unknown := func(p *PlanParams) { p.Fuel = lpg.Fuel{} }
	mixed, _ := lpg.BlendByMass(0.6, lpg.NButane)
	isobutane, _ := lpg.BlendByMass(0.6, lpg.Isobutane)
	for name, c := range map[string]struct {
		change    func(*PlanParams)
		what, why string
		ends      supply.Limit
	}{
		"a blend nobody knows":   {unknown, "pressure and how long it lasts", "the blend is not known", NotFollowed},
		"a mix below its data":   {func(p *PlanParams) { p.Fuel, p.AirLowC, p.AirHighC = mixed, -45, -45 }, "pressure and how long it lasts", "-40 to 50 °C", NotFollowed},
		"too much for the shell": {func(p *PlanParams) { p.StartKg, p.AirHighC, p.AirLowC = 12, 20, 20 }, "pressure and how long it lasts", "fill the cylinder with liquid", NotFollowed},
		"a fill that swells in the warmth of the day": {func(p *PlanParams) { p.StartKg, p.AirLowC, p.AirHighC = 10.4, -10, 55; p.Appliances[0].DutyFrac = 0.01 },
			"pressure and how long it lasts", "fill the cylinder with liquid", NotFollowed},
		"a limit colder than the data": {func(p *PlanParams) { p.AltitudeM, p.LeastGaugeKPa, p.HorizonH = 4000, 1, 10 }, "supply ratio", "outside the data", supply.NoLimit},
		"isobutane at the seat":        {func(p *PlanParams) { p.Fuel, p.AirHighC, p.AirLowC, p.HorizonH = isobutane, 10, 10, 2 }, "seat margin and freeze-up risk", "isobutane", supply.NoLimit},
		"two stages and a low inlet":   {func(p *PlanParams) { p.TwoStage, p.LeastGaugeKPa, p.AirLowC, p.AirHighC = true, 20, -31, -31 }, "seat margin and freeze-up risk", "69 kPa gauge", supply.PressureLimit},
	} {
		p := winterVan(0)
		c.change(&p)
		plan := planned(t, p)
		i := slices.IndexFunc(plan.NotAssessed, func(g PlanNotKnown) bool { return g.What == c.what && strings.Contains(g.Why, c.why) })
		if i < 0 {
			t.Errorf("%s: not assessed %+v, want %q because %q", name, plan.NotAssessed, c.what, c.why)
		}
		if run := plan.Runs[0]; run.Ends != c.ends || (run.Ends == NotFollowed) != (run.Why != "") {
			t.Errorf("%s: ends by %s (%s), want %s", name, run.Ends, run.Why, c.ends)
		}
		if !(plan.ByMassH > 0) {
			t.Errorf("%s: %g h by mass, want them said all the same", name, plan.ByMassH)
		}
	}
}

// At the edges of a cylinder's life the right thing fails, at once.
func TestTheStartMayBeTheEnd(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*PlanParams)
		ends   supply.Limit
		mostH  float64
	}{
		"butane in the frost":         {func(p *PlanParams) { p.Fuel = lpg.Pure(lpg.NButane) }, supply.PressureLimit, 0},
		"next to nothing":             {func(p *PlanParams) { p.StartKg = 0.04 }, supply.ContentsLimit, 0},
		"only vapour, and enough":     {func(p *PlanParams) { p.StartKg = 0.15 }, supply.ContentsLimit, 1.5},
		"the last liquid":             {func(p *PlanParams) { p.StartKg = 0.3 }, supply.ContentsLimit, 4},
		"liquid warmer than the air":  {func(p *PlanParams) { c := 20.0; p.StartTempC, p.HorizonH = &c, 3 }, supply.NoLimit, 3},
		"a horizon before everything": {func(p *PlanParams) { p.HorizonH = 0.25 }, supply.NoLimit, 0.25},
	} {
		p := winterVan(-5)
		c.change(&p)
		run := planned(t, p).Runs[0]
		if run.Ends != c.ends || run.AfterH > c.mostH || c.mostH > 0 && run.AfterH == 0 {
			t.Errorf("%s: %s after %g h, want %s within %g", name, run.Ends, run.AfterH, c.ends, c.mostH)
		}
		if name == "liquid warmer than the air" && !run.MayCondense {
			t.Error("liquid of 20 C in air of -5 C: want a word about vapour that condenses on its way")
		}
	}
}

// A what-if that makes no sense names what is wrong with it.
func TestAPlanThatMakesNoSenseSaysWhatToGive(t *testing.T) {
	nan := math.NaN()
	for want, change := range map[string]func(*PlanParams){
		"the cylinder of":             func(p *PlanParams) { p.Cylinder = supply.Cylinder{} },
		"the fill of NaN kg":          func(p *PlanParams) { p.StartKg = nan },
		"the fill of 0 kg":            func(p *PlanParams) { p.StartKg = 0 },
		"the air of -60":              func(p *PlanParams) { p.AirLowC = -60 },
		"exchange them":               func(p *PlanParams) { p.AirLowC = 5 },
		"the liquid at the start":     func(p *PlanParams) { p.StartTempC = &nan },
		"the altitude of 7000 m":      func(p *PlanParams) { p.AltitudeM = 7000 },
		"least inlet of -1":           func(p *PlanParams) { p.LeastGaugeKPa = -1 },
		"the conductance of -2":       func(p *PlanParams) { p.UAWPerK = -2 },
		"the horizon of":              func(p *PlanParams) { p.HorizonH = 1e9 },
		"two different ends":          func(p *PlanParams) { p.NightEndMin = p.NightStartMin },
		"0 appliances":                func(p *PlanParams) { p.Appliances = nil },
		"appliance heater: its input": func(p *PlanParams) { p.Appliances[0].InputKW = nan },
		"appliance 1: its duty":       func(p *PlanParams) { p.Appliances[0].Name, p.Appliances[0].DutyFrac = "", 40 },
		"needs a basis":               func(p *PlanParams) { p.Appliances[0].Basis = 0 },
		"give one of them":            func(p *PlanParams) { p.Appliances[0].KgPerH = 1 },
		"no appliance draws anything": func(p *PlanParams) { p.Appliances[0].DutyFrac = 0 },
		"check the units":             func(p *PlanParams) { p.Appliances = slices.Repeat([]PlanAppliance{{KgPerH: 60, DutyFrac: 0.1}}, 2) },
	} {
		p := winterVan(0)
		change(&p)
		if plan, err := Plan(p); err == nil || !strings.Contains(err.Error(), want) || len(plan.Runs) > 0 {
			t.Errorf("%v, want an error with %q", err, want)
		}
	}
}

// Colder air, more input and less fuel never last longer.
func TestHarderNeverLastsLonger(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := winterVan(rapid.Float64Range(-30, 25).Draw(t, "air"))
		p.StartKg = rapid.Float64Range(0.5, 5).Draw(t, "kg")
		p.HorizonH = 20 // hours of the machine, not of the van, are what a longer one costs
		p.Appliances[0].InputKW = rapid.Float64Range(2, 15).Draw(t, "kW")
		p.Appliances[0].DutyFrac = rapid.Float64Range(0.4, 1).Draw(t, "duty")
		p.AltitudeM = rapid.Float64Range(0, 3000).Draw(t, "altitude")
		if rapid.Bool().Draw(t, "mixed") {
			p.Fuel, _ = lpg.BlendByMass(rapid.Float64Range(0.5, 0.99).Draw(t, "propane"), lpg.NButane)
		}
		base := planned(t, p)
		harder, sooner := p, 1.0
		how := rapid.SampledFrom([]string{"colder", "more input", "fuller"}).Draw(t, "how")
		switch by := rapid.Float64Range(1.02, 2).Draw(t, "by"); how {
		case "colder":
			harder.AirLowC, harder.AirHighC = p.AirLowC-5*by, p.AirHighC-5*by
		case "more input":
			harder.Appliances = slices.Clone(p.Appliances)
			harder.Appliances[0].InputKW *= by
		case "fuller": // where contents are what ends it, the other way round
			harder.StartKg, sooner = min(9.07, p.StartKg*by), -1
		}
		other := planned(t, harder)
		for i, run := range base.Runs {
			got := other.Runs[i]
			if run.Ends == NotFollowed || got.Ends == NotFollowed || sooner < 0 && (run.Ends != supply.ContentsLimit || got.Ends != supply.ContentsLimit) {
				continue
			}
			// A crossing is placed within a step, and what a blend's vapour is worth in heat depends
			// a little on how cold it is.
			if slackH := 0.02 + 0.004*run.AfterH; sooner*(got.AfterH-run.AfterH) > slackH {
				t.Fatalf("%s: %s after %g h, before %s after %g", how, got.Ends, got.AfterH, run.Ends, run.AfterH)
			}
		}
	})
}

// The same what-if gives the same bytes.
func TestAPlanIsTheSameTwice(t *testing.T) {
	p := winterVan(-5)
	p.AirHighC = 5
	one, err := json.Marshal(planned(t, p))
	if err != nil {
		t.Fatal(err)
	}
	two, _ := json.Marshal(planned(t, p))
	if string(one) != string(two) {
		t.Error("two plans of one what-if differ")
	}
}

// sound fails on a number that is none anywhere in v, and walks all of it.
func sound(t interface{ Fatalf(string, ...any) }, v reflect.Value, path string) {
	switch v.Kind() {
	case reflect.Float64:
		if f := v.Float(); math.IsNaN(f) || math.IsInf(f, 0) {
			t.Fatalf("%s is %g", path, f)
		}
	case reflect.Pointer:
		if !v.IsNil() {
			sound(t, v.Elem(), path)
		}
	case reflect.Slice:
		for i := range v.Len() {
			sound(t, v.Index(i), path+"[]")
		}
	case reflect.Struct:
		for i := range v.NumField() {
			sound(t, v.Field(i), path+"."+v.Type().Field(i).Name)
		}
	}
}

// FuzzPlan takes any what-if: an error, or a plan of real numbers that keeps its promises.
func FuzzPlan(f *testing.F) {
	f.Add(1.0, uint8(0), 21.6, 0.306, 9.07, 0.0, false, 2.0, 0.0, uint8(2), 0.5, true, -15.0, 0.0, 1500.0, false, 75.0, 0.0, 1080, 600, 100.0)
	f.Add(0.6, uint8(1), 27.2, 0.295, 3.0, 15.0, true, 0.0, 0.3, uint8(0), 1.0, false, 5.0, 5.0, 0.0, true, 0.0, 2.9, 0, 360, 0.0)
	f.Add(0.0, uint8(2), 21.6, 0.306, 0.2, -50.0, true, 5.0, 0.0, uint8(1), 0.01, false, -50.0, 60.0, 6000.0, true, 1000.0, 0.0, 1439, 0, 744.0)
	f.Add(math.NaN(), uint8(3), 454.0, 0.76, 190.0, 0.0, false, 30.0, 0.0, uint8(2), 1.0, true, -40.0, 50.0, -500.0, false, 1.0, 100.0, 1080, 600, 48.0)
	f.Fuzz(func(t *testing.T, propane float64, basis uint8, waterL, diameterM, kg, startC float64, start bool, kW, kgH float64, heat uint8,
		duty float64, night bool, lowC, highC, altitude float64, two bool, least, ua float64, from, to int, horizon float64) {
		p := PlanParams{Cylinder: supply.Cylinder{VolumeL: waterL, DiameterM: diameterM, WallM: 0.0026, WallJPerK: 3600}, StartKg: kg,
			Appliances: []PlanAppliance{{InputKW: kW, KgPerH: kgH, Basis: lpg.Basis(heat), DutyFrac: duty, NightOnly: night}, {KgPerH: 0.05, DutyFrac: 0.1}},
			AirLowC:    lowC, AirHighC: highC, AltitudeM: altitude, TwoStage: two, LeastGaugeKPa: least, UAWPerK: ua,
			NightStartMin: from, NightEndMin: to, HorizonH: horizon}
		if start {
			p.StartTempC = &startC
		}
		switch basis % 4 {
		case 0:
			p.Fuel, _ = lpg.BlendByMass(propane, lpg.NButane)
		case 1:
			p.Fuel, _ = lpg.BlendByMole(propane, lpg.NButane)
		case 2:
			p.Fuel, _ = lpg.BlendByMass(propane, lpg.Isobutane)
		}
		plan, err := Plan(p)
		if err != nil {
			if !reflect.DeepEqual(plan, Planned{}) {
				t.Fatalf("an error and a plan: %v", err)
			}
			return
		}
		holds(t, plan)
	})
}

// The same over what-ifs that make sense, most of which a fuzzer's numbers miss.
func TestEveryPlanIsOfRealNumbers(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		size := rapid.SampledFrom(supply.Sizes()).Draw(t, "size")
		frac := rapid.Float64Range(0, 1).Draw(t, "propane")
		fuels := []lpg.Fuel{{}, lpg.Pure(lpg.Propane), lpg.Pure(lpg.NButane)}
		for _, butane := range []lpg.Substance{lpg.NButane, lpg.Isobutane} {
			f, _ := lpg.BlendByMass(frac, butane)
			fuels = append(fuels, f)
		}
		p := PlanParams{Fuel: rapid.SampledFrom(fuels).Draw(t, "fuel"), Cylinder: size.Cylinder(),
			StartKg:   rapid.Float64Range(0.001, 1.4).Draw(t, "fill") * size.FillKg,
			AltitudeM: rapid.Float64Range(-500, 6000).Draw(t, "altitude"), TwoStage: rapid.Bool().Draw(t, "two"),
			LeastGaugeKPa: rapid.Float64Range(0.5, 1000).Draw(t, "least"), HorizonH: rapid.Float64Range(0.1, 120).Draw(t, "horizon"),
			UAWPerK:       rapid.SampledFrom([]float64{0, 0, 0.1, 2.9, 100}).Draw(t, "ua"),
			NightStartMin: rapid.IntRange(0, 1439).Draw(t, "from"), AirLowC: rapid.Float64Range(-50, 60).Draw(t, "low")}
		p.NightEndMin = (p.NightStartMin + rapid.IntRange(1, 1439).Draw(t, "long")) % 1440
		p.AirHighC = rapid.Float64Range(p.AirLowC, 60).Draw(t, "high")
		if rapid.Bool().Draw(t, "start") {
			startC := rapid.Float64Range(-50, 60).Draw(t, "liquid")
			p.StartTempC = &startC
		}
		for range rapid.IntRange(1, 3).Draw(t, "appliances") {
			p.Appliances = append(p.Appliances, PlanAppliance{InputKW: rapid.Float64Range(0.01, 60).Draw(t, "kW"), Basis: lpg.Gross,
				DutyFrac: rapid.Float64Range(0.001, 1).Draw(t, "duty"), NightOnly: rapid.Bool().Draw(t, "night")})
		}
		holds(t, planned(t, p))
	})
}

// holds checks what every plan promises.
func holds(t interface{ Fatalf(string, ...any) }, plan Planned) {
	sound(t, reflect.ValueOf(plan), "plan")
	if plan.AirKPa <= 0 || plan.FullKgPerH <= 0 || plan.DayKg <= 0 || plan.ByMassH <= 0 || len(plan.Runs) == 0 {
		t.Fatalf("%+v", plan)
	}
	for _, run := range plan.Runs {
		switch {
		case run.AfterH < 0 || run.AfterH > supply.MostHours+1e-6 || run.NightsN < 0 || run.NightsN > run.AfterH*60+1e-6:
			t.Fatalf("after %g h, %g nights", run.AfterH, run.NightsN)
		case (run.Ends == NotFollowed) != (run.Why != ""), !slices.Contains([]supply.Limit{supply.NoLimit, supply.PressureLimit, supply.ContentsLimit, NotFollowed}, run.Ends):
			t.Fatalf("ends by %q: %q", run.Ends, run.Why)
		case run.Ends != NotFollowed && run.FullEnds != NotFollowed && run.FullAfterH > run.AfterH+0.05+0.02*run.AfterH:
			t.Fatalf("without a pause it lasts %g h, with pauses %g", run.FullAfterH, run.AfterH)
		}
		afterH, kg := -1.0, math.Inf(1)
		for _, m := range run.Course {
			if m.AfterH <= afterH || m.ContentsKg > kg || m.ContentsKg < 0 || m.CylinderKPa <= 0 || m.LiquidTempC < -50 || m.LiquidTempC > 60 ||
				m.MeanKgPerH > m.FullKgPerH || m.PropaneMassFrac < 0 || m.PropaneMassFrac > 1 {
				t.Fatalf("after %g h and %g kg: %+v", afterH, kg, m)
			}
			if m.SupplyRatio != nil && *m.SupplyRatio < 0 || m.Seat != nil && (m.Seat.DepositGPerH < 0 || m.Seat.AdiabaticK > m.Seat.MarginK+1e-9 && m.AirTempC > m.Seat.ThrottledTempC) {
				t.Fatalf("%+v", m)
			}
			afterH, kg = m.AfterH, m.ContentsKg
		}
		if len(run.Course) > mostMoments+3 {
			t.Fatalf("%d moments", len(run.Course))
		}
	}
	if plan.Runs[0].Ends == NotFollowed && len(plan.NotAssessed) == 0 {
		t.Fatalf("nothing is said to be missing: %+v", plan.Runs[0])
	}
}

func BenchmarkPlan(b *testing.B) {
	p := winterVan(-5)
	p.AirHighC = 5
	for b.Loop() {
		if _, err := Plan(p); err != nil {
			b.Fatal(err)
		}
	}
}
