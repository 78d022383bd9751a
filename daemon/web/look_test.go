package web

import (
	"regexp"
	"strings"
	"testing"

	"frostline/alerts"
	"frostline/daemon/estimate"
)

// The form and the formatter each have their list of units; a slip of one line between them
// would show bar under the word psi.
func TestEachUnitOnOfferIsTheOneThePageThenSays(t *testing.T) {
	s := pageFor(quietEvening()) // 236.8 kPa gauge, 0.172 kg/h
	for _, c := range []struct{ field, choice, cookie, row, value, unit, interval string }{
		{"pressure", "kpa", "auto.kg.c.kpa.mass.net", "cylinder_gauge_kpa", "237", "kPa", "220–254"},
		{"pressure", "bar", "auto.kg.c.bar.mass.net", "cylinder_gauge_kpa", "2.37", "bar", "2.20–2.54"},
		{"pressure", "psi", "auto.kg.c.psi.mass.net", "cylinder_gauge_kpa", "34", "psi", "32–37"},
		{"pressure", "inwc", "auto.kg.c.inwc.mass.net", "cylinder_gauge_kpa", "950", "in w.c.", "880–1020"},
		{"pressure", "mbar", "auto.kg.c.mbar.mass.net", "cylinder_gauge_kpa", "2370", "mbar", "2200–2540"},
		{"burn", "mass", "auto.kg.c.kpa.mass.gross", "burn_kg_h", "0.17", "kg/h", "0.16–0.19"},
		{"burn", "mass", "auto.lb.c.kpa.mass.gross", "burn_kg_h", "0.38", "lb/h", "0.34–0.42"},
		{"burn", "kw", "auto.kg.c.kpa.kw.net", "burn_kg_h", "2.21", "kW net", "2.00–2.43"},
		{"basis", "gross", "auto.kg.c.kpa.kw.gross", "burn_kg_h", "2.40", "kW gross", "2.17–2.64"},
		{"burn", "btu", "auto.lb.c.kpa.btu.net", "burn_kg_h", "7600", "BTU/h net", "6800–8300"},
		{"basis", "gross", "auto.kg.c.kpa.btu.gross", "burn_kg_h", "8200", "BTU/h gross", "7400–9000"},
	} {
		all := parse(t, ask(s, "GET", "/", "", "Cookie", lookCookie+"="+c.cookie).Body.String())
		for key, want := range map[string]string{c.row: c.value, c.row + ".unit": c.unit, c.row + ".range": c.interval} {
			if got := find(all, "data-live", key).text; got != want {
				t.Errorf("look %s: %s reads %q, want %q", c.cookie, key, got, want)
			}
		}
		if got := chosen(all, c.field); got != c.choice {
			t.Errorf("look %s: the form stands at %s %q, want %q", c.cookie, c.field, got, c.choice)
		}
	}
}

// chosen is the option at which a select of the page stands; "" if it is not exactly one.
func chosen(all []*element, field string) string {
	var in bool
	var out []string
	for _, e := range all {
		switch e.name {
		case "select":
			in = e.attr["name"] == field
		case "option":
			if _, on := e.attr["selected"]; on && in {
				out = append(out, e.attr["value"])
			}
		}
	}
	if len(out) != 1 {
		return ""
	}
	return out[0]
}

// What the cylinder can give stands beside what is burned, so both read in one unit.
func TestWhatCanBoilOffReadsInTheUnitOfTheBurn(t *testing.T) {
	all := parse(t, ask(pageFor(quietEvening()), "GET", "/", "", "Cookie", "look=auto.kg.c.kpa.kw.gross").Body.String())
	if got, want := find(all, "data-live", "supply_ratio.note").text, "can boil off 4.08 kW gross (2.80–5.73)"; !strings.Contains(got, want) {
		t.Errorf("the supply is told as %q, want %q in it", got, want)
	}
}

func TestACookieKeptByAnotherVersionNeverBreaksThePage(t *testing.T) {
	s := pageFor(quietEvening())
	for cookie, want := range map[string][3]string{ // theme, unit of pressure, unit of burn
		"night.lb.f":                   {"night", "kPa", "lb/h"},
		"night.lb.f.psi.btu.gross":     {"night", "psi", "BTU/h gross"},
		"dark.kg.c.furlong.kw.net":     {"dark", "kPa", "kW net"},
		"dark.kg.c.psi.horse.gross":    {"dark", "psi", "kg/h"},
		"dark.kg.c.psi.kw.middling":    {"dark", "psi", "kW net"},
		"dark.kg.c.psi":                {"auto", "kPa", "kg/h"},
		"dark.kg.c.psi.kw.gross.seven": {"auto", "kPa", "kg/h"},
		"":                             {"auto", "kPa", "kg/h"},
	} {
		all := parse(t, ask(s, "GET", "/", "", "Cookie", lookCookie+"="+cookie).Body.String())
		got := [3]string{all[0].attr["data-theme"], find(all, "data-live", "cylinder_gauge_kpa.unit").text, find(all, "data-live", "burn_kg_h.unit").text}
		if got != want {
			t.Errorf("cookie %q looks like %v, want %v", cookie, got, want)
		}
	}
}

// The number of the row is gauge and its history absolute: about 100 kPa apart, so each says
// which it is.
func TestThePressureSaysWhetherItIsGaugeOrAbsolute(t *testing.T) {
	page := ask(pageFor(quietEvening()), "GET", "/", "", "Cookie", "look=auto.kg.c.psi.mass.net").Body.String()
	all := parse(t, page)
	if got := find(all, "data-live", "cylinder_gauge_kpa.note").text; !strings.Contains(got, "gauge") {
		t.Errorf("the pressure's note reads %q, want gauge in it", got)
	}
	told := false
	for _, e := range named(all, "desc") {
		told = told || strings.HasSuffix(e.text, " psi absolute")
	}
	if !told {
		t.Error("the trace of the pressure does not say that its numbers are absolute")
	}
}

// What the core says in words is metric; a phone that chose pounds and Fahrenheit reads none of it
// but a loss of weight, which would be nothing in lb/h.
func TestTextsOfTheCoreReadInThePhonesUnits(t *testing.T) {
	snap := with(quietEvening(), tonightShort(alerts.Unacked))
	snap.Est.Freeze.Why = "seat modelled -6 °C, coldest gas -16 °C"
	snap.Est.Watch = estimate.WeightWatch{Asked: true, Quiet: true, SmallestGPerH: good(9, 9, 9)}
	page := ask(pageFor(snap), "GET", "/", "", "Cookie", lookCookie+"="+look{Mass: "lb", Temp: "f"}.checked().cookie()).Body.String()
	for _, want := range []string{"10.8–12.1 lb in the cylinder", "2.9–4.2 lb a night over the last 6", "2.0–2.9 lb left, 2.9–4.2 lb needed", "seat modelled 21 °F, coldest gas 3 °F", "No loss above 9 g/h seen"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	for _, line := range strings.Split(page, "\n") {
		if strings.Contains(line, "<option") { // of the form that chooses
			continue
		}
		if metric := regexp.MustCompile(`\d (kg|°C)\b`).FindString(line); metric != "" {
			t.Errorf("a phone in pounds and Fahrenheit reads %q in %.200s", metric, line)
		}
	}
}
