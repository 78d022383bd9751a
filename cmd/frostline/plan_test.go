package main

import (
	"math"
	"strings"
	"testing"

	"frostline/daemon/lpg"
	"frostline/daemon/nights"
)

// An appliance is read as its plate says it; the pound and the BTU are exact by definition.
func TestAnAppliancesPlateIsRead(t *testing.T) {
	for text, want := range map[string]nights.PlanAppliance{
		"heater, 2.2 kW net":                   {Name: "heater", InputKW: 2.2, Basis: lpg.Net, DutyFrac: 1},
		"furnace, 12000 BTU/h gross, 35 %":     {Name: "furnace", InputKW: 3.5168528, Basis: lpg.Gross, DutyFrac: 0.35},
		"stove,150 g/h,5%":                     {Name: "stove", KgPerH: 0.15, DutyFrac: 0.05},
		"big heater, 1 lb/h, night, 50 %":      {Name: "big heater", KgPerH: 0.45359237, DutyFrac: 0.5, NightOnly: true},
		"water heater, night, 1900 W net, 4 %": {Name: "water heater", InputKW: 1.9, Basis: lpg.Net, DutyFrac: 0.04, NightOnly: true},
	} {
		got, err := parseAppliance(text)
		off := math.Abs(got.InputKW-want.InputKW) + math.Abs(got.KgPerH-want.KgPerH) + math.Abs(got.DutyFrac-want.DutyFrac)
		if err != nil || off > 1e-6 || got.Name != want.Name || got.Basis != want.Basis || got.NightOnly != want.NightOnly {
			t.Errorf("%q reads as %+v (%v), want %+v", text, got, err, want)
		}
	}
	for text, want := range map[string]string{
		"heater": "write it as", ", 2 kW net": "write it as", "heater, 2 kW": "say \"2 kW net\"",
		"heater, 150 g/h gross": "has no net or gross", "heater, lots": "is not a power", "heater, 2 kW net, x %": "is not a percentage",
		"heater, 2.2 kW net, 40 %, 3 kW gross": "the input comes once", "heater, 40 %, 2.2 kW net, 50 %": "the share of the time comes once",
	} {
		if got, err := parseAppliance(text); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q reads as %+v, %v; want an error with %q", text, got, err, want)
		}
	}
}

// A blend's percent needs a basis: the three give three different fuels.
func TestABlendSaysPercentOfWhat(t *testing.T) {
	byMass, _ := lpg.BlendByMass(0.6, lpg.NButane)
	byMole, _ := lpg.BlendByMole(0.6, lpg.NButane)
	byVolume, _ := lpg.BlendByLiquidVolume60F(0.6, lpg.NButane)
	for text, want := range map[string]lpg.Fuel{
		"propane": lpg.Pure(lpg.Propane), "butane": lpg.Pure(lpg.NButane), "unknown": {},
		"60 % by mass": byMass, "60% by mole": byMole, "60 % by volume": byVolume, "100 % by mass": lpg.Pure(lpg.Propane),
	} {
		if got, err := parseBlend(text); err != nil || got != want {
			t.Errorf("%q reads as %+v (%v), want %+v", text, got, err, want)
		}
	}
	for text, want := range map[string]string{"60 %": "by mass, by mole or by volume", "60 % by weight": "by mass, by mole", "gas": "write propane", "140 % by mass": "between 0 and 100"} {
		if _, err := parseBlend(text); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want an error with %q", text, err, want)
		}
	}
}

// Rows of a long draw show the thinnest moment of each stretch, those of a short one even
// hours, and both the start and the end.
func TestTheRowsOfAPlanShowItsWorst(t *testing.T) {
	var course []nights.PlanMoment
	for i := 0; i <= 20*24; i++ {
		course = append(course, nights.PlanMoment{AfterH: float64(i), GaugeKPa: 300 + 100*math.Cos(2*math.Pi*float64(i-12)/24) - float64(i)/10})
	}
	rows, stretch := planTable(course)
	if stretch != "2 days" || len(rows) != 11 || rows[0].AfterH != 0 || rows[10].AfterH != 480 {
		t.Fatalf("%d rows of %q", len(rows), stretch)
	}
	for _, r := range rows[1:] {
		if math.Mod(r.AfterH, 24) != 0 || r.GaugeKPa > 200 {
			t.Errorf("after %g h, %g kPa is not the thinnest", r.AfterH, r.GaugeKPa)
		}
	}
	rows, stretch = planTable(course[:10])
	if stretch != "" || len(rows) != 10 || rows[9].AfterH != 9 {
		t.Errorf("nine hours have %d rows, %q", len(rows), stretch)
	}
}
