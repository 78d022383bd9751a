package nights

import (
	"encoding/xml"
	"math"
	"strings"
	"testing"
	"time"

	"frostline/daemon/estimate"
	"frostline/daemon/show"
)

// wintered is n nights of a van that loses 40 W/K of fuel and is spared 150 W, each colder or
// milder than the last.
func wintered(n int) (rows []Night) {
	for i := range n {
		outside := -9 + 1.5*float64(i%8)
		kg := (40*(18-outside) - 150) * 16 / fuelW(1)
		rows = append(rows, Night{Kind: "night", Date: time.Date(2026, 11, 1+i, 0, 0, 0, 0, time.UTC).Format(time.DateOnly), Version: ModelVersion, WatchedH: 16,
			BurnedKg: num(kg, 4), BurnedLowKg: num(0.97*kg, 4), BurnedHighKg: num(1.03*kg, 4), HeaterKg: num(kg, 4), OtherKg: num(0, 4), HeaterH: num(8, 1),
			EnergyMJ: num(kg*46, 2), OutsideLowC: num(outside-3, 1), OutsideMeanC: num(outside, 1), CabinMeanC: num(18, 1), DegreeHours: num(16*(18-outside), 1),
			Loads: []LoadUse{{"valve", 192, 16}}})
	}
	return rows
}

func TestASeasonAddsUpItsNightsWithTheirIntervals(t *testing.T) {
	rows := wintered(16)
	rows[3].BurnedKg, rows[3].BurnedLowKg, rows[3].BurnedHighKg, rows[3].EnergyMJ = nil, nil, nil, nil
	rows[5].DegreeHours = nil
	rows[7].EnergyMJ = nil // of a program before
	rows[9].RanShort = true
	s := SeasonOf(rows)
	var kg, degrees, cold float64
	for i, n := range rows {
		if i == 3 {
			continue
		}
		kg += *n.BurnedKg
		if i != 5 {
			degrees, cold = degrees+*n.DegreeHours, cold+*n.BurnedKg
		}
	}
	near := func(what string, got, want float64) {
		t.Helper()
		if math.Abs(got-want) > 1e-3*math.Abs(want) {
			t.Errorf("%s: %g, want %g", what, got, want)
		}
	}
	near("fuel", s.FuelKg.Value, kg)
	near("its least", s.FuelKg.Low, 0.97*kg)
	near("its most", s.FuelKg.High, 1.03*kg)
	near("energy, the row without one by the others", s.EnergyMJ.Value, 46*kg)
	near("a night", s.NightKg.Value, kg/15)
	near("a degree-hour", s.PerDegreeHourKg.Value, cold/degrees)
	near("its energy", s.PerDegreeHourMJ.High, 1.03*46*cold/degrees)
	near("charge", s.ChargeAh, 256)
	if s.NightsN != 16 || s.FuelN != 15 || s.DegreeN != 14 || s.ElectricN != 16 || s.ShortN != 1 || !s.Heat.Learned || math.Abs(s.Heat.FuelWPerK.Value-40) > 2 {
		t.Errorf("%+v, want 16, 15, 14 and 16 nights, one short, and 40 W/K", s)
	}
	for _, rows := range [][]Night{nil, {{Date: "2026-11-01"}}} {
		if s := SeasonOf(rows); s.FuelKg.Known() || s.PerDegreeHourKg.Known() || s.FuelKg.Why == "" || s.LeastKg != 0 {
			t.Errorf("of %d nights without fuel: %+v", len(rows), s)
		}
	}
}

func TestWhatWasNotSurelyAnothersMayBeTheHeaters(t *testing.T) {
	v := newVan(Params{Heaters: []string{"heater"}}, "2026-11-25T18:00:00Z")
	for range 2 * 60 * 17 {
		e := v.estimates()
		e.HeaterKgPerH, e.OtherKgPerH = known(0.06, 0, 0.1), known(0.04, 0, 0.1)
		e.Shares = []estimate.Share{{Name: "heater", KgPerH: 0.06}, {Name: "left", KgPerH: 0.02, Sure: true}, {Name: "right", KgPerH: 0.02}}
		v.step(e)
	}
	n := v.rows[0]
	// 1.6 kg: 0.96 recognised as the heater's, 0.32 surely of the left burner.
	if math.Abs(*n.HeaterLowKg-0.96) > 0.005 || math.Abs(*n.HeaterHighKg-1.28) > 0.005 || math.Abs(*n.HeaterKg-1.12) > 0.005 || math.Abs(*n.HeaterKg+*n.OtherKg-*n.BurnedKg) > 2e-4 {
		t.Errorf("heater %g (%g–%g), other %g of %g kg; want 1.12 (0.96–1.28) and the rest", *n.HeaterKg, *n.HeaterLowKg, *n.HeaterHighKg, *n.OtherKg, *n.BurnedKg)
	}
	sure, _ := heatOf(wintered(1)[0])
	row := wintered(1)[0]
	row.HeaterLowKg, row.HeaterHighKg = num(*row.HeaterKg-0.2, 4), num(*row.HeaterKg+0.2, 4)
	if unsure, ok := heatOf(row); !ok || unsure.WeighW < sure.WeighW+50 {
		t.Errorf("a doubt of 0.2 kg weighs %g W against %g W without", unsure.WeighW, sure.WeighW)
	}
}

func TestTheLedgersPicturesAreDocumentsWithEveryNight(t *testing.T) {
	rows := wintered(12)
	rows[2].BurnedKg, rows[2].HeaterKg = nil, nil
	h := HeatLossOf(rows)
	cost, nightH := CostPicture(rows, h)
	if nightH != 16 || cost.Typical || len(cost.Nights) != 11 || len(cost.Line) != costPoints {
		t.Errorf("cost picture of %g h: %d nights, %d points, typical %v", nightH, len(cost.Nights), len(cost.Line), cost.Typical)
	}
	strip, _ := show.StripOfNights(StripPicture(rows))
	for name, svg := range map[string]string{"strip": strip, "cost": show.Cost(cost)} {
		classes := map[string]int{}
		for dec := xml.NewDecoder(strings.NewReader(show.Document(svg))); ; {
			token, err := dec.Token()
			if token == nil {
				break
			}
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			if e, ok := token.(xml.StartElement); ok {
				if e.Name.Local == "svg" && e.Name.Space != "http://www.w3.org/2000/svg" {
					t.Errorf("%s has the name space %q", name, e.Name.Space)
				}
				for _, a := range e.Attr {
					if a.Name.Local == "class" {
						classes[a.Value]++
					}
				}
			}
		}
		for class, want := range map[string]map[string]int{
			"strip": {"nights-past": 11, "nights-blank": 1, "nights-low": 12, "nights-now": 0, "nights-left": 0, "nights-kg": 12, "nights-scale": 2},
			"cost":  {"cost-night": 11, "cost-band": 1, "cost-line": 1},
		}[name] {
			if classes[class] != want {
				t.Errorf("%s: %d of class %s, want %d", name, classes[class], class, want)
			}
		}
	}
}
