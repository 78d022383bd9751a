package config

import (
	"math"
	"strings"
	"testing"

	"frostline/daemon/nights"
)

func TestAPriceIsSaidByKilogramOrByPound(t *testing.T) {
	for text, want := range map[string]Price{
		"2.90 EUR/kg": {2.9, "EUR"}, "1.20 USD/lb": {1.2 / 0.45359237, "USD"}, "31 kr/kg": {31, "kr"},
	} {
		cfg, err := Parse("x", []byte("[cylinder]\nprice = \""+text+"\"\n"))
		if err != nil || math.Abs(cfg.Price.PerKg-want.PerKg) > 1e-9 || cfg.Price.Currency != want.Currency {
			t.Errorf("%s: %+v, %v, want %+v", text, cfg, err, want)
		}
	}
	for _, text := range []string{`"2.90"`, `2.9`, `"EUR 2.90/kg"`, `"2.90 EUR"`, `"2.90 EUR/m"`, `"-1 EUR/kg"`, `"2.90 /kg"`, `"NaN EUR/kg"`} {
		if _, err := Parse("x", []byte("[cylinder]\nprice = "+text+"\n")); err == nil || !strings.Contains(err.Error(), `x:2: cylinder.price`) {
			t.Errorf("%s: %v, want it refused with its line", text, err)
		}
	}
}

func TestALoadDrawsCurrentOrPowerAllNightOrWithTheHeater(t *testing.T) {
	cfg, err := Parse("x", []byte(`
[[load]]
name = "valve"
current = "1 A"
[[load]]
name = "blower"
power = "14 W"
voltage = "24 V"
when = "heater"
`))
	if err != nil {
		t.Fatal(err)
	}
	want := []nights.Load{{Name: "valve", DrawA: 1, NominalV: 12}, {Name: "blower", DrawW: 14, NominalV: 24, WithHeater: true}}
	got := cfg.Core.Nights.Loads
	if len(got) != 2 || got[0] != want[0] || got[1] != want[1] {
		t.Errorf("loads %+v, want %+v", got, want)
	}
	for text, say := range map[string]string{
		"name = \"a\"": "say what it draws",
		"name = \"a\"\ncurrent = \"1 A\"\npower = \"3 W\"": "not as both",
		"current = \"1 A\"":                               "every load needs a name",
		"name = \"a\"\ncurrent = \"1 V\"":                 "V is not a unit of a current",
		"name = \"a\"\ncurrent = \"1 A\"\nwhen = \"day\"": "not one of night, heater",
	} {
		if _, err := Parse("x", []byte("[[load]]\n"+text+"\n")); err == nil || !strings.Contains(err.Error(), say) {
			t.Errorf("%q: %v, want %q", text, err, say)
		}
	}
}

func TestTheHeatersEfficiencyIsBroughtToTheNetValue(t *testing.T) {
	heater := func(more string) string {
		return "[[appliance]]\nname = \"h" + more[:1] + "\"\nkind = \"heater\"\n" + more[1:] + "\n"
	}
	for text, want := range map[string]float64{
		heater("1input = \"2 kW\"\nefficiency = \"85 %\""):                                                      0.85,
		heater("1input = \"2 kW\"\nefficiency = \"80 %\"\nbasis = \"gross\""):                                   0.8 * 1.0864,
		heater("1input = \"2 kW\""):                                                                             0,
		heater("1input = \"2 kW\"\nefficiency = \"90 %\"") + heater("2input = \"1 kW\""):                        0, // of one of them nothing is known
		heater("1input = \"2 kW\"\nefficiency = \"90 %\"") + heater("2input = \"1 kW\"\nefficiency = \"75 %\""): 0.85,
	} {
		cfg, err := Parse("x", []byte(text))
		if err != nil || math.Abs(cfg.Core.Nights.HeaterEfficiencyFrac-want) > 1e-3 {
			t.Errorf("%s: %+v, %v, want %g", text, cfg, err, want)
		}
	}
	_, err := Parse("x", []byte("[[appliance]]\nname = \"s\"\nkind = \"burner\"\ninput = \"2 kW\"\nefficiency = \"50 %\"\n"))
	if err == nil || !strings.Contains(err.Error(), "appliance.0.efficiency") {
		t.Errorf("a cooktop's efficiency: %v", err)
	}
}
