package nights

import (
	"encoding/json"
	"math"
	"reflect"
	"testing"
	"time"

	"frostline/daemon/estimate"
	"frostline/daemon/lpg"
	"frostline/sensors"
)

// Clocks change on 2026-03-29 and 2026-10-25 in Berlin, on 2026-04-05 and 2026-10-04 in Sydney.
func TestTheNightOfTheClockChangeIsAnHourLongerOrShorter(t *testing.T) {
	for _, c := range []struct {
		zone       string
		start, end int // minutes; 0 and 0: as usual
		date       string
		wantH      float64
	}{
		{"Europe/Berlin", 0, 0, "2026-10-24", 17}, {"Europe/Berlin", 0, 0, "2026-03-28", 15}, {"Europe/Berlin", 0, 0, "2026-11-25", 16},
		{"Australia/Sydney", 0, 0, "2026-04-04", 17}, {"Australia/Sydney", 0, 0, "2026-10-03", 15}, {"Australia/Sydney", 0, 0, "2026-07-10", 16},
		// A window that crosses no midnight is dated by its own day.
		{"Europe/Berlin", 60, 9 * 60, "2026-10-25", 9}, {"Europe/Berlin", 60, 9 * 60, "2026-03-29", 7}, {"Australia/Sydney", 60, 9 * 60, "2026-04-05", 9},
		// One that begins or ends in the hour that is skipped or lived twice.
		{"Europe/Berlin", 150, 9 * 60, "2026-03-29", 5.5}, {"Europe/Berlin", 22 * 60, 150, "2026-10-24", 5.5},
	} {
		z := zone(t, c.zone)
		day, err := time.ParseInLocation(time.DateOnly, c.date, z)
		if err != nil {
			t.Fatal(err)
		}
		v := newVan(Params{Zone: z, StartMin: c.start, EndMin: c.end}, day.AddDate(0, 0, -1).Add(12*time.Hour).UTC().Format(time.RFC3339))
		v.live(3 * 24 * time.Hour)
		var found []Night
		for _, n := range v.rows {
			if n.Date == c.date {
				found = append(found, n)
			}
		}
		if len(found) != 1 || math.Abs(found[0].WatchedH-c.wantH) > 0.05 || found[0].GapH > 0.05 || math.Abs(*found[0].BurnedKg-0.1*c.wantH) > 0.005 {
			t.Errorf("%s, window %d to %d min, %s: rows %+v, want one of %g h without a gap", c.zone, c.start, c.end, c.date, found, c.wantH)
		}
	}
}

func TestANightLivedBeforeTheClockWasRightGetsItsTrueDate(t *testing.T) {
	v := newVan(Params{}, "1970-01-01T20:00:00Z")
	v.trusted = false
	v.live(2 * time.Hour)
	v.wall = time.Date(2026, 11, 25, 22, 0, 0, 0, time.UTC)
	v.trusted = true
	v.live(14 * time.Hour)
	if len(v.rows) != 1 {
		t.Fatalf("rows %+v, want the one night", v.rows)
	}
	n := v.rows[0]
	if n.Date != "2026-11-25" || n.FromWall != "2026-11-25T18:00:00Z" || n.ClockUntrusted || math.Abs(n.WatchedH-14) > 0.05 || math.Abs(n.GapH-2) > 0.05 {
		t.Errorf("%+v, want 25 November, 14 h watched after a gap of 2, no mark", n)
	}
	if math.Abs(*n.BurnedKg-1.4) > 0.002 {
		t.Errorf("burned %g, want all of 14 h", *n.BurnedKg)
	}
}

func TestANightWhoseDateCannotBeToldKeepsItsMark(t *testing.T) {
	for what, c := range map[string]struct {
		label, right string
		before       time.Duration
		torn         string
		want         []string // date, and * for the mark
	}{
		// The label says evening at noon: three hours of day are in it.
		"noon taken for evening": {"1970-01-01T19:00:00Z", "2026-11-25T16:00:00Z", 3 * time.Hour, "", []string{"1970-01-01*", "2026-11-25"}},
		"part of it was day":     {"1970-01-01T19:00:00Z", "2026-11-25T20:00:00Z", 4 * time.Hour, "", []string{"1970-01-01*", "2026-11-25"}},
		"a restart within":       {"1970-01-01T19:00:00Z", "2026-11-25T22:00:00Z", 2 * time.Hour, "restart", []string{"1970-01-01*", "2026-11-25"}},
		"a reload within":        {"1970-01-01T19:00:00Z", "2026-11-25T22:00:00Z", 2 * time.Hour, "reload", []string{"2026-11-25"}},
		"night taken for day":    {"1970-01-01T11:00:00Z", "2026-11-25T22:00:00Z", 2 * time.Hour, "", []string{"2026-11-25"}},
		"the label was right":    {"2026-11-25T19:00:00Z", "2026-11-25T21:00:00Z", 2 * time.Hour, "", []string{"2026-11-25"}},
	} {
		v := newVan(Params{}, c.label)
		v.trusted = false
		v.live(c.before)
		switch s := v.l.Save(); c.torn {
		case "restart":
			v.l, v.up = NewLedger(Params{}), 0
			v.l.Restore(s)
			v.live(time.Minute)
		case "reload":
			v.l = NewLedger(Params{})
			v.l.Continue(s, v.up)
			v.live(time.Minute)
		}
		right, err := time.Parse(time.RFC3339, c.right)
		if err != nil {
			t.Fatal(err)
		}
		v.wall, v.trusted = right, true
		v.live(20 * time.Hour)
		var got []string
		for _, n := range v.rows {
			mark := ""
			if n.ClockUntrusted {
				mark = "*"
			}
			got = append(got, n.Date+mark)
			if total := n.WatchedH + n.GapH; math.Abs(total-16) > 0.05 {
				t.Errorf("%s: %s is %g h long", what, n.Date, total)
			}
		}
		if !reflect.DeepEqual(got, c.want) {
			t.Errorf("%s: rows %v, want %v", what, got, c.want)
		}
	}
}

func TestARestartACylinderAndADriveInTheMiddleLoseNothing(t *testing.T) {
	v := newVan(Params{}, "2026-11-25T17:00:00Z")
	v.live(3 * time.Hour)
	e := v.estimates()
	e.Happened = []estimate.Happening{{Kind: estimate.CylinderRemoved}}
	v.step(e)
	v.fuelKg = 11
	e = v.estimates()
	e.Happened = []estimate.Happening{{Kind: estimate.CylinderPlaced, Guess: "swapped"}}
	e.Moving = true
	v.step(e)
	v.live(3 * time.Hour)
	s := throughJSON(t, v.l.Save())
	v.l, v.up = NewLedger(Params{}), 0
	v.l.Restore(s)
	v.live(12 * time.Hour)
	if len(v.rows) != 1 {
		t.Fatalf("rows %+v, want one", v.rows)
	}
	n := v.rows[0]
	if !n.CylinderChanged || !n.Moved || math.Abs(*n.BurnedKg-1.6) > 0.005 || n.GapH > 0.1 {
		t.Errorf("%+v, want 1.6 kg, a change and a drive, and no gap", n)
	}
}

func TestNightsSkippedWhileOffAreNoRowsAndNoDays(t *testing.T) {
	v := newVan(Params{HeaterKgPerH: 0.15}, "2026-11-25T17:00:00Z")
	v.live(4 * time.Hour)
	s := v.l.Save()
	v.l = NewLedger(Params{HeaterKgPerH: 0.15})
	v.l.Restore(s)
	v.up, v.wall = 0, v.wall.Add(72*time.Hour) // until 21:00 of the 28th
	v.live(24 * time.Hour)
	if len(v.rows) != 2 || v.rows[0].Date != "2026-11-25" || v.rows[1].Date != "2026-11-28" {
		t.Fatalf("rows %+v, want the night that was cut off and the one after", v.rows)
	}
	if cut := v.rows[0]; math.Abs(cut.WatchedH-3) > 0.05 || math.Abs(cut.GapH-13) > 0.05 || cut.BurnedKg != nil {
		t.Errorf("%+v, want 3 h watched, 13 missed and the fuel unknown", cut)
	}
	if next := v.rows[1]; next.DayKg != nil || math.Abs(next.GapH-3) > 0.05 {
		t.Errorf("%+v, want no day before it and a gap of 3 h at its head", next)
	}
}

// step is a tick of half a minute with estimates of its own.
func (v *van) step(e *estimate.Estimates) {
	const dt = 30 * time.Second
	v.up, v.wall = v.up+dt, v.wall.Add(dt)
	v.burned += v.burn * dt.Hours()
	e.BurnedKg = v.burned
	if n := v.l.Step(sensors.Stamp{Up: v.up, Wall: v.wall}, e, 0); n != nil {
		v.rows = append(v.rows, *n)
	}
}

func TestANightSaysWhoBurnedWhatItsHeatAndHowNearTheSupplyWasToItsEnd(t *testing.T) {
	p := Params{PropaneMassFrac: 1}
	v := newVan(p, "2026-11-25T18:00:00Z")
	for i := range 2 * 60 * 17 {
		e := v.estimates()
		e.Shares = []estimate.Share{{Name: "heater", KgPerH: 0.07}, {Name: "left burner", KgPerH: 0.03}}
		e.SupplyRatio, e.SeatMarginK = known(3, 2, 4), known(5, 1, 9)
		if i == 500 {
			e.SupplyRatio, e.SeatMarginK = known(1.4, 1.1, 2), known(-2.3, -6, 1)
		}
		v.step(e)
	}
	n := v.rows[0]
	if len(n.Appliances) != 2 || n.Appliances[0].Name != "heater" || math.Abs(n.Appliances[0].Kg-1.12) > 0.002 || math.Abs(n.Appliances[1].Kg-0.48) > 0.002 {
		t.Errorf("appliances %+v, want 1.12 and 0.48 kg in the order of the configuration", n.Appliances)
	}
	if *n.LeastSupplyRatio != 1.4 || *n.LeastSeatMarginK != -2.3 {
		t.Errorf("least supply ratio %g and seat margin %g, want 1.4 and -2.3", *n.LeastSupplyRatio, *n.LeastSeatMarginK)
	}
	// lpg computes 46.34 MJ/kg net for propane (heating_values.csv).
	if math.Abs(*n.EnergyMJ-*n.BurnedKg*46.338) > 0.02 {
		t.Errorf("%g MJ of %g kg, want 46.34 MJ/kg", *n.EnergyMJ, *n.BurnedKg)
	}
	mix, ok := lpg.BlendByMass(0.6, lpg.NButane)
	want, ok2 := mix.HeatingMJPerKg(lpg.Net)
	p.PropaneMassFrac = 0.6
	if got := p.fuelMJPerKg(); !ok || !ok2 || got != want || got >= 46.3 {
		t.Errorf("a mix has %g MJ/kg, want %g", got, want)
	}
	if got := GrossPerNet(); math.Abs(got-1.0864) > 0.001 {
		t.Errorf("gross over net %g, want 1.086", got)
	}
}

func TestAValveHeldOpenForTenHoursAtOneAmpereIsTenAmpereHours(t *testing.T) {
	p := Params{StartMin: 20 * 60, EndMin: 6 * 60, Loads: []Load{
		{Name: "gas valve", DrawA: 1, NominalV: 12},
		{Name: "blower", DrawW: 24, NominalV: 12, WithHeater: true},
	}}
	v := newVan(p, "2026-11-25T19:00:00Z")
	v.live(6 * time.Hour) // the heater on for five of the ten hours
	v.burn = 0
	v.live(6 * time.Hour)
	if len(v.rows) != 1 || len(v.rows[0].Loads) != 2 {
		t.Fatalf("rows %+v", v.rows)
	}
	valve, blower := v.rows[0].Loads[0], v.rows[0].Loads[1]
	if math.Abs(valve.ChargeAh-10) > 0.02 || math.Abs(valve.EnergyWh-120) > 0.2 {
		t.Errorf("valve %+v, want 10 Ah and 120 Wh", valve)
	}
	if math.Abs(blower.EnergyWh-120) > 0.3 || math.Abs(blower.ChargeAh-10) > 0.03 {
		t.Errorf("blower %+v, want 24 W for 5 h: 120 Wh, 10 Ah", blower)
	}
	// A measured battery rules: the same ampere-hours of the valve at 13 V are more energy.
	v = newVan(p, "2026-11-25T20:00:00Z")
	for range 2*60*10 + 2 {
		e := v.estimates()
		e.BatteryV = known(13, 12.9, 13.1)
		v.step(e)
	}
	if u := v.rows[0].Loads; math.Abs(u[0].ChargeAh-10) > 0.02 || math.Abs(u[0].EnergyWh-130) > 0.3 || math.Abs(u[1].ChargeAh-240./13) > 0.05 {
		t.Errorf("at 13 V: %+v, want 10 Ah and 130 Wh, and 18.5 Ah of the blower", u)
	}
}

// What a program before energy, loads and forecasts saved, as it stood on the card.
const savedBefore = `{"open":{"date":"2026-11-25","From":"2026-11-25T18:00:00Z","To":"2026-11-26T10:00:00Z","DayKg":null,"LivedH":4,"FirstKg":1,"LastKg":1.4,
"LockerFirstC":0,"LockerLastC":0,"HasLocker":true,"HeaterKg":0.4,"OtherKg":0,"HeaterH":4,"Outside":{"SumCH":-20,"H":4,"LowC":-5},"Cabin":{"SumCH":72,"H":4,"LowC":18},
"PipeLowC":0,"HasPipe":false,"DegreeHours":92,"DegreeH":4,"Band":0,"WatchedH":4,"GapH":0,"Alarms":0,"Moved":false,"Changed":false,"Untrusted":false},
"recent":[{"kind":"night","date":"2026-11-24","from":"2026-11-24T18:00:00Z","to":"2026-11-25T10:00:00Z","version":1,"burned_kg":1.6,"burned_low_kg":1.55,"burned_high_kg":1.65,
"heater_kg":1.6,"other_kg":0,"heater_h":16,"outside_low_c":-5,"gas_band":"background","watched_h":16,"gap_h":0,"alarms":0}],"low_until":"0001-01-01T00:00:00Z","ended":true,"end_kg":0.9,"end_date":"2026-11-24"}`

func TestACheckpointOfTheProgramBeforeGoesOn(t *testing.T) {
	var s Saved
	if err := json.Unmarshal([]byte(savedBefore), &s); err != nil {
		t.Fatal(err)
	}
	v := newVan(Params{Loads: []Load{{Name: "valve", DrawA: 1, NominalV: 12}}}, "2026-11-25T22:00:00Z")
	v.l.Restore(s)
	v.burned = 1.4
	v.live(13 * time.Hour)
	if len(v.rows) != 1 || v.rows[0].Version != ModelVersion || math.Abs(*v.rows[0].BurnedKg-1.6) > 0.005 || math.Abs(v.rows[0].Loads[0].ChargeAh-12) > 0.05 {
		t.Fatalf("rows %+v, want the open night gone on with, its load since the restart", v.rows)
	}
	if c := v.l.Calibration(); c.NightsN != 0 || c.WiderRatio != 1 {
		t.Errorf("rows without a forecast were scored: %+v", c)
	}
}
