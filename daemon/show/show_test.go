package show

import (
	"math"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"frostline/testdata/reference"
)

func TestNumbersAreSaidWithTheirUnit(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	us := Choice{Pounds: true, Fahrenheit: true}
	tests := []struct {
		c    Choice
		v    float64
		u    Unit
		want string
	}{
		{Choice{}, 4.86, Kg, "4.9 kg"},
		{Choice{}, 0.384, Kg, "0.38 kg"},
		{Choice{}, 0.9996, Kg, "1.0 kg"},
		{Choice{}, 0, Kg, "0.00 kg"},
		{Choice{}, -3.4, C, "-3.4 °C"},
		{Choice{}, -0.04, C, "0.0 °C"},
		{Choice{}, math.Copysign(0, -1), C, "0.0 °C"},
		{Choice{}, -0.05, C, "-0.1 °C"},
		{Choice{}, 0.25, C, "0.3 °C"}, // half away from zero
		{Choice{}, 131.6, GPerH, "132 g/h"},
		{Choice{}, 0.1316, KgPerH, "0.13 kg/h"},
		{Choice{}, 98.71, KPa, "98.7 kPa"},
		{Choice{}, 99.96, KPa, "100 kPa"},
		{Choice{}, 347.6, KPa, "348 kPa"},
		{Choice{}, 11.79, V, "11.79 V"},
		{Choice{}, 9.94, H, "9.9 h"},
		{Choice{}, 9.96, H, "10 h"},
		{Choice{}, 0.25, H, "0.25 h"},
		{Choice{}, 3.1, Nights, "3.1 nights"},
		{Choice{}, 1.04, Nights, "1.0 night"},
		{Choice{}, 1.2, Ratio, "1.20"},
		{Choice{}, 5.5, PctLEL, "5.5 % LEL"},
		{Choice{}, 12.4, PctLEL, "12 % LEL"},
		{Choice{}, 3, Count, "3"},
		{Choice{}, nan, Kg, "unknown"},
		{Choice{}, inf, C, "unknown"},
		{us, 9.07, Kg, "20.0 lb"}, // the 20 lb fill, sensing.md 7
		{us, 0.45359237, Kg, "1.0 lb"},
		{us, 0, C, "32.0 °F"},
		{us, -40, C, "-40.0 °F"},
		{us, 10, K, "18.0 °F"},  // a difference has no 32
		{us, 4, GPerH, "4 g/h"}, // in lb/h with two digits a small leak would be none
		{us, 0.45359237, KgPerH, "1.00 lb/h"},
		{us, 11.8, V, "11.80 V"},
		{us, nan, C, "unknown"},
	}
	for _, c := range tests {
		if got := c.c.Number(c.v, c.u); got != c.want {
			t.Errorf("%v in unit %d reads %q, want %q", c.v, c.u, got, c.want)
		}
	}
}

func TestIntervalsHaveOnePrecision(t *testing.T) {
	tests := []struct {
		low, high float64
		u         Unit
		want      string
	}{
		{4.86, 5.52, Kg, "4.9–5.5 kg"},
		{0.38, 0.91, Kg, "0.38–0.91 kg"},
		{0.94, 1.06, Kg, "0.9–1.1 kg"}, // the larger end decides for both
		{-3.44, -1.2, C, "-3.4 to -1.2 °C"},
		{-1.2, 3.4, C, "-1.2 to 3.4 °C"},
		{-0.04, 0.31, C, "0.0–0.3 °C"},
		{5.22, 5.24, Kg, "5.2 kg"},
		{5.5, 4.9, Kg, "4.9–5.5 kg"},
		{95.2, 104, KPa, "95–104 kPa"},
		{0.9, 1.02, Nights, "0.9–1.0 night"},
		{2.2, 4, Nights, "2.2–4.0 nights"},
		{math.NaN(), 4, Kg, "unknown"},
		{4, math.Inf(1), Kg, "unknown"},
	}
	for _, c := range tests {
		if got := Interval(c.low, c.high, c.u); got != c.want {
			t.Errorf("%v to %v reads %q, want %q", c.low, c.high, got, c.want)
		}
	}
}

func TestAValueStandsBeforeItsInterval(t *testing.T) {
	tests := []struct {
		v, low, high float64
		u            Unit
		want         string
	}{
		{5.2, 4.9, 5.5, Kg, "5.2 kg (4.9–5.5)"},
		{-6, -6.5, -5.5, C, "-6.0 °C (-6.5 to -5.5)"},
		{1.2, 0.9, 1.6, Ratio, "1.20 (0.90–1.60)"},
		{1, math.NaN(), 2, Kg, "unknown"},
	}
	for _, c := range tests {
		if got := (Choice{}).Value(c.v, c.low, c.high, c.u); got != c.want {
			t.Errorf("%v within %v and %v reads %q, want %q", c.v, c.low, c.high, got, c.want)
		}
	}
	v, word, iv := Choice{Pounds: true}.Parts(5.2, 4.9, 5.5, Kg)
	if v != "11.5" || word != "lb" || iv != "10.8–12.1" {
		t.Errorf("5.2 kg in pounds comes apart as %q, %q, %q", v, word, iv)
	}
	if got := (Choice{Fahrenheit: true}).Word(C); got != "°F" {
		t.Errorf("the unit of a temperature in Fahrenheit reads %q", got)
	}
}

func TestNoNumberIsANegativeZeroOrLies(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.Float64Range(-1e6, 1e6).Draw(t, "v")
		if rapid.Bool().Draw(t, "small") {
			v /= 1e7
		}
		u := Unit(rapid.IntRange(0, int(Count)).Draw(t, "unit"))
		c := Choice{Pounds: rapid.Bool().Draw(t, "lb"), Fahrenheit: rapid.Bool().Draw(t, "F"), Gross: rapid.Bool().Draw(t, "gross"),
			Pressure: Pressure(rapid.IntRange(0, int(InMbar)).Draw(t, "pressure")), Burn: Burn(rapid.IntRange(0, int(ByBTU)).Draw(t, "burn"))}
		s := c.Number(v, u)
		digits, _, _ := strings.Cut(s, " ")
		if digits[0] == '-' && strings.Trim(digits, "-0.") == "" {
			t.Fatalf("%v reads %q", v, s)
		}
		if strings.ContainsAny(digits, "eE") {
			t.Fatalf("%v reads %q", v, s)
		}
	})
}

func TestLengthsAndAgesOfTime(t *testing.T) {
	const s, m, h = time.Second, time.Minute, time.Hour
	for d, want := range map[time.Duration]string{
		-h: "0 s", 0: "0 s", 59*s + 999*time.Millisecond: "59 s", m: "1 min", 59*m + 59*s: "59 min", h: "1 h",
		3*h + 20*m: "3 h 20 min", 24 * h: "1 d", 52 * h: "2 d 4 h", 48*h + 59*m: "2 d",
	} {
		if got := Duration(d); got != want {
			t.Errorf("%v lasts %q, want %q", d, got, want)
		}
	}
	for d, want := range map[time.Duration]string{
		-h: "just now", s: "just now", 2 * s: "2 s ago", 40 * s: "40 s ago", 3*m + 59*s: "3 min ago",
		5*h + 59*m: "5 h ago", 49 * h: "2 d ago",
	} {
		if got := Age(d); got != want {
			t.Errorf("%v old reads %q, want %q", d, got, want)
		}
	}
	at := time.Date(2026, 11, 25, 4, 10, 59, 0, time.UTC)
	if got := Clock(at, time.FixedZone("x", 3600)); got != "05:10" {
		t.Errorf("the clock reads %q, want 05:10", got)
	}
	if got := Clock(at, nil); got != "04:10" {
		t.Errorf("without a zone the clock reads %q, want 04:10", got)
	}
	if got := Clock(time.Time{}, nil); got != Unknown {
		t.Errorf("no time reads %q", got)
	}
}

func TestOddsNeverPromiseMoreThanWasComputed(t *testing.T) {
	for _, c := range []struct {
		p    float64
		want string
	}{
		{1, "99 in 100"}, {0.99, "99 in 100"}, {0.97, "19 in 20"}, {0.9499, "9 in 10"}, {0.9, "9 in 10"}, {0.3 * 3, "9 in 10"},
		{0.89, "8 in 10"}, {0.5, "5 in 10"}, {0.06, "1 in 20"}, {0.01, "1 in 100"}, {0.0099, "less than 1 in 100"}, {0, "less than 1 in 100"},
		{math.NaN(), "unknown"}, {1.01, "unknown"}, {-0.01, "unknown"},
	} {
		if got := Odds(c.p); got != c.want {
			t.Errorf("odds of %v read %q, want %q", c.p, got, c.want)
		}
	}
}

// The round numbers of the trade, and physics.md 8: 30000 Btu/h = 8.792 kW = 0.6289 kg/h
// gross, 1 kW = 0.07769 kg/h net.
func TestPressureAndBurnAreSaidInTheUnitsOfTheTrade(t *testing.T) {
	for _, c := range []struct {
		choice Choice
		v      float64
		u      Unit
		want   string
	}{
		{Choice{}, 2.74, KPa, "2.74 kPa"}, // 11 in w.c. behind a regulator
		{Choice{Pressure: InWC}, 2.74, KPa, "11.0 in w.c."},
		{Choice{Pressure: InPsi}, 2.74, KPa, "0.40 psi"},
		{Choice{Pressure: InBar}, 2.74, KPa, "0.027 bar"},
		{Choice{Pressure: InWC}, 69, KPa, "277 in w.c."},
		{Choice{}, 69, KPa, "69.0 kPa"},
		{Choice{Pressure: InMbar}, 2.74, KPa, "27.4 mbar"},
		{Choice{Pressure: InMbar}, 37, KPa, "370 mbar"},
		{Choice{Pressure: InMbar}, 99.94, KPa, "999 mbar"},
		{Choice{Pressure: InMbar}, 236.8, KPa, "2370 mbar"},
		{Choice{Pressure: InPsi}, 69, KPa, "10 psi"},
		{Choice{Pressure: InPsi}, 34.5, KPa, "5.0 psi"},
		{Choice{Pressure: InPsi}, 836.461 - 101.325, KPa, "107 psi"},
		{Choice{Pressure: InBar}, 735.1, KPa, "7.35 bar"},
		{Choice{Pressure: InBar}, -0.001, KPa, "0.000 bar"},
		{Choice{Burn: ByBTU, Gross: true}, 0.62889, KgPerH, "30000 BTU/h gross"},
		{Choice{Burn: ByKW, Gross: true}, 0.6289, KgPerH, "8.79 kW gross"},
		{Choice{Burn: ByKW}, 0.6289, KgPerH, "8.09 kW net"}, // the 8.6 % between the bases
		{Choice{Burn: ByKW, Gross: true}, 0.75, KgPerH, "10.5 kW gross"},
		{Choice{Burn: ByBTU, Gross: true}, 0.172, KgPerH, "8200 BTU/h gross"},
		{Choice{Burn: ByBTU, Gross: true}, 0.02, KgPerH, "950 BTU/h gross"},
		{Choice{Burn: ByBTU}, -0.00001, KgPerH, "0 BTU/h net"},
		{Choice{Burn: ByKW, Gross: true}, 25, GPerH, "25 g/h"}, // a loss of weight is no burn
		{Choice{Burn: ByKW}, 0.07769, KgPerH, "1.00 kW net"},
		{Choice{Burn: ByKW, Pounds: true}, 0.07769, KgPerH, "1.00 kW net"}, // heat has no pounds
		{Choice{Pounds: true}, 0.45359237, KgPerH, "1.00 lb/h"},
		{Choice{Pressure: InPsi, Burn: ByKW}, 5.2, Kg, "5.2 kg"}, // nothing else moves
	} {
		got := c.choice.Number(c.v, c.u)
		if got != c.want {
			t.Errorf("%+v says %v as %q, want %q", c.choice, c.v, got, c.want)
		}
	}
	if got := (Choice{Pressure: InPsi}).Value(300, 280, 320, KPa); got != "44 psi (41–46)" {
		t.Errorf("an interval in psi reads %q", got)
	}
	if got := (Choice{Burn: ByBTU, Gross: true}).Interval(-0.001, 0.0249, KgPerH); got != "0–1200 BTU/h gross" {
		t.Errorf("an interval in BTU/h reads %q", got)
	}
	if got := (Choice{Burn: ByKW, Gross: true}).Word(KgPerH); got != "kW gross" {
		t.Errorf("the unit alone reads %q, want its basis with it", got)
	}
	if got := (Choice{Burn: ByBTU}).Number(math.NaN(), KgPerH); got != Unknown {
		t.Errorf("no number reads %q", got)
	}
}

// The definitions, worked out by hand from the international pound and inch and standard
// gravity; the inch of water is the conventional one.
func TestAPressureHasOneValueInEveryUnit(t *testing.T) {
	for _, c := range []struct {
		unit Pressure
		kPa  float64 // that one of the unit is
	}{{InKPa, 1}, {InBar, 100}, {InPsi, 6.894757293168}, {InWC, 0.24908891}, {InMbar, 0.1}} {
		word := Choice{Pressure: c.unit}.Word(KPa)
		if got, _ := (Choice{Pressure: c.unit}).convert(c.kPa, KPa); math.Abs(got-1) > 1e-12 {
			t.Errorf("%v kPa is %v %s, want 1", c.kPa, got, word)
		}
		// A difference of pressures is the difference of what they read: no unit has an offset.
		if got, _ := (Choice{Pressure: c.unit}).convert(0, KPa); got != 0 {
			t.Errorf("no pressure at all is %v %s", got, word)
		}
	}
}

// Source: energy_conversions.csv, the rows of pure propane. Tolerance: its print rounding.
func TestABurnIsTheHeatOfTheEnergyTable(t *testing.T) {
	heats := map[Choice]*reference.Check{}
	grossKW, netKW := Choice{Burn: ByKW, Gross: true}, Choice{Burn: ByKW}
	grossBTU, netBTU := Choice{Burn: ByBTU, Gross: true}, Choice{Burn: ByBTU}
	for _, c := range []Choice{grossKW, netKW} {
		heats[c] = reference.Pct(t, c.Word(KgPerH), 0.01)
	}
	for _, c := range []Choice{grossBTU, netBTU} {
		heats[c] = reference.Pct(t, c.Word(KgPerH), 0.02)
	}
	that := func(c Choice, kgPerH, want float64) {
		got, _ := c.convert(kgPerH, KgPerH)
		heats[c].That(got, true, want, kgPerH)
	}
	for _, r := range reference.Rows(t, "energy_conversions.csv", 8) {
		if r.Num("propane_mass_fraction") != 1 {
			continue
		}
		value, btu := r.Num("value"), r.Num("Btu_h")
		gross, net := r.Num("kg_h_if_input_rated_on_HHV"), r.Num("kg_h_if_input_rated_on_LHV")
		switch r.Cell["unit"] {
		case "kg_h":
			that(grossKW, value, r.Num("kW_HHV"))
			that(netKW, value, r.Num("kW_LHV"))
			that(grossBTU, value, btu)
		case "kW":
			that(grossKW, gross, value)
			that(netKW, net, value)
			that(grossBTU, gross, btu)
			that(netBTU, net, btu)
		case "Btu_h":
			that(grossBTU, gross, value)
			that(netBTU, net, value)
		}
	}
}
