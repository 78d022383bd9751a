package sim

import (
	"bufio"
	"io"
	"maps"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"frostline/sensors"
	"frostline/testdata/scenarios"
)

func named(t *testing.T, name string) Scenario {
	t.Helper()
	r, err := scenarios.Open(name)
	if err != nil {
		t.Fatal(err)
	}
	s, err := Load(r, name)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// seen is what a scenario's truth and readings amount to.
type seen struct {
	van                      *Van
	first, last              Truth
	starvedS                 map[string]float64
	starvedAt                map[string]time.Duration
	fuelAtStarved            map[string]float64
	maxGasPpm, maxEthanolPpm float64
	minPipeC, minOutsideC    float64
	maxWindMS                float64
	movingS                  float64
	drives, swaps, boots     int
	wallSteps                []time.Duration
	faults                   map[string]int // channel and word
	values                   map[sensors.Channel][]float64
	leaveAt                  time.Duration
}

func watch(t *testing.T, name string) *seen {
	t.Helper()
	s := named(t, name)
	if testing.Short() && s.Duration.Duration > 100*time.Hour {
		t.Skip("a long scenario")
	}
	v := New(s, 0)
	w := &seen{van: v, starvedS: map[string]float64{}, starvedAt: map[string]time.Duration{}, fuelAtStarved: map[string]float64{},
		minPipeC: 99, minOutsideC: 99, faults: map[string]int{}, values: map[sensors.Channel][]float64{}}
	var prev row
	play(t, v, func(r row) { w.take(r, prev); prev = r })
	w.last = prev.truth
	return w
}

func (w *seen) take(r, prev row) {
	tr := r.truth
	dt := w.van.dt
	if prev.boot == "" {
		w.first = tr
	}
	if tr.Starved {
		if w.starvedS[tr.Cause] == 0 {
			w.starvedAt[tr.Cause], w.fuelAtStarved[tr.Cause] = tr.Elapsed, tr.FuelKg
		}
		w.starvedS[tr.Cause] += dt
	}
	w.maxGasPpm, w.maxEthanolPpm = max(w.maxGasPpm, tr.GasPpm), max(w.maxEthanolPpm, tr.EthanolPpm)
	if w.leaveAt == 0 && tr.GasPpm > 1700 {
		w.leaveAt = tr.Elapsed
	}
	w.minPipeC, w.minOutsideC = min(w.minPipeC, tr.WaterlineC), min(w.minOutsideC, tr.OutsideC)
	w.maxWindMS = max(w.maxWindMS, tr.WindMPerS)
	if tr.Moving {
		w.movingS += dt
		if !prev.truth.Moving {
			w.drives++
		}
	}
	if prev.boot != "" && tr.CylinderPresent && !prev.truth.CylinderPresent {
		w.swaps++
	}
	if r.boot != prev.boot {
		w.boots++
	} else if step := r.stamp.Wall.Sub(prev.stamp.Wall) - (r.stamp.Up - prev.stamp.Up); step != 0 {
		w.wallSteps = append(w.wallSteps, step)
	}
	for i, wire := range w.van.Wiring() {
		switch q := r.readings[i]; q.Quality {
		case sensors.Bad:
			w.faults[string(wire.Channel)+" "+q.Fault]++
		case sensors.Good:
			if tr.Elapsed%(10*time.Second) == 0 {
				w.values[wire.Channel] = append(w.values[wire.Channel], q.Value)
			}
		}
	}
}

// share is how much of a channel's sampled readings are v.
func (w *seen) share(ch sensors.Channel, v float64) float64 {
	n := 0
	for _, x := range w.values[ch] {
		if x == v {
			n++
		}
	}
	return float64(n) / float64(max(1, len(w.values[ch])))
}

// ofFuelAndHeat says what the scenarios of nights, weather and supply must show.
func ofFuelAndHeat() map[string]func(*testing.T, *seen) {
	return map[string]func(*testing.T, *seen){
		"quiet-night": func(t *testing.T, w *seen) {
			want(t, "starved", len(w.starvedS) == 0, w.starvedS)
			want(t, "gas stays under 100 ppm", w.maxGasPpm < 100, w.maxGasPpm)
			want(t, "0.3 to 0.9 kg burned", w.last.BurnedKg > 0.3 && w.last.BurnedKg < 0.9, w.last.BurnedKg)
		},
		"cold-front": func(t *testing.T, w *seen) {
			want(t, "outside under -15 C", w.minOutsideC < -15, w.minOutsideC)
			want(t, "pipe under 0 C", w.minPipeC < 0, w.minPipeC)
			want(t, "wind over 9 m/s", w.maxWindMS > 9, w.maxWindMS)
		},
		"empty-at-three": func(t *testing.T, w *seen) {
			at := localHour(w, "empty")
			want(t, "starved empty between two and four local time", at > 2 && at < 4, at)
			want(t, "residual under 0.1 kg", w.fuelAtStarved["empty"] < 0.1, w.fuelAtStarved)
			want(t, "for hours", w.starvedS["empty"] > 2*3600, w.starvedS)
			want(t, "cabin has cooled", w.last.CabinC < 9, w.last.CabinC)
		},
		"exchange-underfilled": func(t *testing.T, w *seen) {
			want(t, "one exchange", w.swaps == 1, w.swaps)
			want(t, "another tare", w.last.TareKg == 7.62 && w.first.TareKg != 7.62, w.last.TareKg)
			want(t, "6.8 kg less a day", w.last.FuelKg > 5.5 && w.last.FuelKg < 6.8, w.last.FuelKg)
			acts := w.van.Operator()
			want(t, "the stamp is entered the next morning", len(acts) == 1 && acts[0].Do == ActChanged &&
				acts[0].At == 20*time.Hour && acts[0].TareKg == 7.7, acts)
		},
		"regulator-ices": func(t *testing.T, w *seen) {
			want(t, "starved by the regulator for an hour and more", w.starvedS["regulator"] > 3600, w.starvedS)
			want(t, "fuel is left", w.fuelAtStarved["regulator"] > 5, w.fuelAtStarved)
			want(t, "nothing else starves", len(w.starvedS) == 1, w.starvedS)
			want(t, "it comes back", w.last.SupplyFrac == 1 && !w.last.Starved, w.last.SupplyFrac)
		},
		"valve-left-shut": func(t *testing.T, w *seen) {
			want(t, "starved by the valve", w.starvedS["valve"] > 1800, w.starvedS)
			want(t, "after a drive", w.drives == 1 && w.starvedAt["valve"] > 3*time.Hour, w.starvedAt)
			want(t, "and burns again", w.last.FuelKg < w.fuelAtStarved["valve"]-0.02, w.last.FuelKg)
		},
		"slow-loss-20": func(t *testing.T, w *seen) {
			hours := (w.last.Elapsed - 30*time.Hour).Hours()
			rate := 1000 * w.last.LeakedKg / hours
			want(t, "about 20 g/h", math.Abs(rate-20) < 1.5, rate)
			want(t, "nothing burned", w.last.BurnedKg == 0, w.last.BurnedKg)
			want(t, "no gas in the cabin", w.maxGasPpm == 0, w.maxGasPpm)
		},
		"cylinder-too-cold": func(t *testing.T, w *seen) {
			want(t, "starved by the cold for half an hour and more", w.starvedS["cold"] > 1800, w.starvedS)
			want(t, "nothing else starves", len(w.starvedS) == 1, w.starvedS)
			want(t, "fuel is left", w.fuelAtStarved["cold"] > 1.5 && w.last.FuelKg > 0.5, w.last.FuelKg)
		},
		"heater-locks-out": func(t *testing.T, w *seen) {
			want(t, "starved by the heater for hours", w.starvedS["heater"] > 2*3600 && len(w.starvedS) == 1, w.starvedS)
			want(t, "the cooktop burns meanwhile", w.last.FuelKg < w.fuelAtStarved["heater"]-0.05, w.last.FuelKg)
			want(t, "the battery is well", w.last.BatteryV > 12, w.last.BatteryV)
		},
		"regulator-fails": func(t *testing.T, w *seen) {
			want(t, "starved by the broken regulator to the end", w.starvedS["broken"] > 4*3600 && len(w.starvedS) == 1, w.starvedS)
			want(t, "nothing comes out", w.last.FuelKg == w.fuelAtStarved["broken"] && w.last.SupplyFrac == 0, w.last.FuelKg)
			want(t, "no frost", w.minOutsideC > 3, w.minOutsideC)
		},
		"excess-flow-shuts": func(t *testing.T, w *seen) {
			want(t, "one exchange", w.swaps == 1, w.swaps)
			want(t, "starved by the shut device for hours", w.starvedS["valve"] > 2*3600, w.starvedS)
			want(t, "with a full cylinder", w.fuelAtStarved["valve"] > 8.9, w.fuelAtStarved)
			want(t, "and burns again", w.last.FuelKg < 8.9 && w.last.SupplyFrac == 1, w.last.FuelKg)
		},
		"battery-runs-down": func(t *testing.T, w *seen) {
			want(t, "starved by the battery", w.starvedS["battery"] > 3600 && len(w.starvedS) == 1, w.starvedS)
			want(t, "fuel is left", w.last.FuelKg > 5, w.last.FuelKg)
		},
	}
}

// ofSensors says what the scenarios of gas, faults, road and clock must show.
func ofSensors() map[string]func(*testing.T, *seen) {
	return map[string]func(*testing.T, *seen){
		"burner-left-open": func(t *testing.T, w *seen) {
			want(t, "1700 ppm within ten minutes", w.leaveAt > 40*time.Minute && w.leaveAt < 50*time.Minute, w.leaveAt)
			want(t, "about 70 g went in", math.Abs(w.last.LeakedKg-0.0678) < 0.005, w.last.LeakedKg)
			want(t, "it falls after the valve", w.last.GasPpm < w.maxGasPpm/3, w.last.GasPpm)
		},
		"leak": func(t *testing.T, w *seen) {
			want(t, "1700 ppm within 20 minutes", w.leaveAt > 12*time.Minute && w.leaveAt < 20*time.Minute, w.leaveAt)
			want(t, "150 g/h", math.Abs(w.last.LeakedKg-0.08) < 0.005, w.last.LeakedKg)
		},
		"gas-sensor-cold-start": func(t *testing.T, w *seen) {
			gas := w.values[sensors.GasV]
			want(t, "over 3 V at power-on", gas[0] > 3, gas[0])
			want(t, "settled within half an hour", gas[180] < 0.8, gas[180])
			want(t, "alcohol", w.maxEthanolPpm > 150, w.maxEthanolPpm)
			want(t, "alcohol looks like gas", slices.Max(gas[1000:]) > 2, slices.Max(gas[1000:]))
			want(t, "hardly any gas", w.maxGasPpm < 100, w.maxGasPpm)
		},
		"dead-scale": func(t *testing.T, w *seen) {
			want(t, "not ready codes", w.share(sensors.LoadCounts, -1) > 0.005, w.share(sensors.LoadCounts, -1))
			want(t, "the rail", w.share(sensors.LoadCounts, 8388607) > 0.01, w.share(sensors.LoadCounts, 8388607))
			end := w.values[sensors.LoadCounts]
			kg := end[len(end)-1] / w.van.Owner().CountsPerKg
			want(t, "an open lead weighs nothing like a cylinder", math.Abs(kg) < 8, kg)
		},
		"dead-gas": func(t *testing.T, w *seen) {
			want(t, "heater voltage 0", w.share(sensors.GasHeaterV, 0) > 0.3, w.share(sensors.GasHeaterV, 0))
			want(t, "reads as very clean air", slices.Min(w.values[sensors.GasV]) < 0.05, slices.Min(w.values[sensors.GasV]))
			want(t, "then it times out", w.faults["gas_v timeout"] == 7200, w.faults)
		},
		"dead-thermometer": func(t *testing.T, w *seen) {
			want(t, "power-on code", w.share(sensors.WaterlineC, 85) > 0.01, w.share(sensors.WaterlineC, 85))
			want(t, "bad checksums", w.faults["outside_c crc"] == 180, w.faults)
			want(t, "a cut lead", w.faults["waterline_c open"] > 1700, w.faults)
			want(t, "exactly zero", w.share(sensors.CabinC, 0) > 0.02, w.share(sensors.CabinC, 0))
		},
		"dead-baro":     func(t *testing.T, w *seen) { want(t, "timeouts", w.faults["baro_kpa timeout"] == 180, w.faults) },
		"dead-humidity": func(t *testing.T, w *seen) { want(t, "64 %", w.share(sensors.HumidityPct, 64) > 0.8, "less") },
		"dead-heat-call": func(t *testing.T, w *seen) {
			n := len(w.values[sensors.HeatCall])
			want(t, "silent after an hour", n == 360, n)
		},
		"dead-battery-sense": func(t *testing.T, w *seen) {
			want(t, "0 V", w.share(sensors.BatteryV, 0) > 0.7, w.share(sensors.BatteryV, 0))
			want(t, "the battery is well", w.last.BatteryV > 12, w.last.BatteryV)
		},
		"day-on-the-road": func(t *testing.T, w *seen) {
			want(t, "three drives of four hours", w.drives == 3 && w.movingS == 4*3600, w.movingS)
			want(t, "a refill", w.swaps == 1 && w.last.FuelKg > 8.5, w.last.FuelKg)
			baro := w.values[sensors.BaroKPa]
			want(t, "over a pass", slices.Max(baro)-slices.Min(baro) > 12, slices.Min(baro))
		},
		"boots-in-the-past": func(t *testing.T, w *seen) {
			want(t, "two boots", w.boots == 2, w.boots)
			want(t, "a jump of more than a year after each", len(w.wallSteps) == 2 && w.wallSteps[0] > 9000*time.Hour &&
				w.wallSteps[1] > 9000*time.Hour, w.wallSteps)
		},
		"fortnight": func(t *testing.T, w *seen) {
			want(t, "fourteen days", w.last.Elapsed > 335*time.Hour, w.last.Elapsed)
			want(t, "three drives, a refill, an exchange", w.drives == 3 && w.swaps == 2, w.drives)
			want(t, "never empty", w.starvedS["empty"] == 0 && w.starvedS["cold"] == 0, w.starvedS)
			want(t, "6 to 14 kg burned", w.last.BurnedKg > 6 && w.last.BurnedKg < 14, w.last.BurnedKg)
			want(t, "a storm", w.maxWindMS > 14, w.maxWindMS)
		},
	}
}

func TestEachScenarioDoesWhatItSays(t *testing.T) {
	tests := ofFuelAndHeat()
	maps.Copy(tests, ofSensors())
	for _, name := range scenarios.Names() {
		t.Run(name, func(t *testing.T) {
			check := tests[name]
			if check == nil {
				t.Fatalf("nothing says what %s should show", name)
			}
			check(t, watch(t, name))
		})
	}
	for name := range tests {
		if !slices.Contains(scenarios.Names(), name) {
			t.Errorf("the list of scenarios lacks %s", name)
		}
	}
}

func want(t *testing.T, what string, ok bool, got any) {
	t.Helper()
	if !ok {
		t.Errorf("want %s, got %v", what, got)
	}
}

func localHour(w *seen, cause string) float64 {
	at := w.van.s.Start.Add(w.starvedAt[cause] + time.Duration(w.van.s.UTCOffsetH*float64(time.Hour)))
	return float64(at.Hour()) + float64(at.Minute())/60
}

func TestEachScenarioFileSaysFirstWhatHappens(t *testing.T) {
	for _, name := range scenarios.Names() {
		r, err := scenarios.Open(name)
		if err != nil {
			t.Fatal(err)
		}
		lines := bufio.NewScanner(r)
		lines.Scan()
		if first := lines.Text(); !strings.HasPrefix(first, "# ") || len(first) < 60 {
			t.Errorf("%s: first line %q, want a comment that says what happens and what to notice", name, first)
		}
		if s := named(t, name); s.Name != name || !strings.HasSuffix(s.What, ".") {
			t.Errorf("%s: name %q, what %q", name, s.Name, s.What)
		}
	}
}

func TestAnUnknownScenarioListsTheKnownOnes(t *testing.T) {
	r, err := scenarios.Open("nightmare")
	if err == nil || !strings.Contains(err.Error(), "quiet-night") || !strings.Contains(err.Error(), "nightmare") {
		t.Errorf("error %v, want the name and the list", err)
	}
	if r != nil {
		text, _ := io.ReadAll(r)
		t.Errorf("an unknown scenario has text %q", text)
	}
}
