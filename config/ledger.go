package config

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"frostline/daemon/estimate"
	"frostline/daemon/lpg"
	"frostline/daemon/nights"
)

// What only the ledger of nights needs.

// price reads "2.90 EUR/kg"; the currency is whatever the owner calls it.
func (c *compiler) price(v any) Price {
	if v == nil {
		return Price{}
	}
	text, _ := v.(string)
	amount, currency, ok := strings.Cut(strings.TrimSpace(text), " ")
	currency, per, ok2 := strings.Cut(strings.TrimSpace(currency), "/")
	x, err := strconv.ParseFloat(amount, 64)
	perKg, err2 := mass.parse("1 " + strings.TrimSpace(per))
	if !ok || !ok2 || err != nil || err2 != nil || !(x > 0 && x <= 1e6) || currency == "" || len(currency) > 16 {
		c.wrong("cylinder.price", "%v is no price; write it like \"2.90 EUR/kg\" or \"1.20 USD/lb\"", v)
		return Price{}
	}
	return Price{x / perKg, currency}
}

// loads are the users of electricity that nobody measures.
func (c *compiler) loads(list []rawLoad) []nights.Load {
	var out []nights.Load
	for i, r := range list {
		key := func(k string) string { return fmt.Sprintf("load.%d.%s", i, k) }
		l := nights.Load{
			Name:       c.text(key("name"), r.Name, ""),
			DrawA:      c.quantity(key("current"), r.Current, current, 0, 0.001, 200),
			DrawW:      1000 * c.quantity(key("power"), r.Power, power, 0, 0.00001, 5),
			NominalV:   c.quantity(key("voltage"), r.Voltage, voltage, 12, 5, 60),
			WithHeater: c.oneOf(key("when"), r.When, "night", "night", "heater") == "heater",
		}
		switch {
		case l.Name == "":
			c.wrong(key("name"), "every load needs a name")
		case slices.ContainsFunc(out, func(b nights.Load) bool { return b.Name == l.Name }):
			c.wrong(key("name"), "%q stands twice", l.Name)
		}
		if (r.Current == nil) == (r.Power == nil) {
			c.wrong(key("current"), "say what it draws, as current like \"1 A\" or as power like \"3 W\", and not as both")
		}
		out = append(out, l)
	}
	return out
}

// efficiency is that of the heaters on the net heating value, weighed by their plates; 0 unless
// every one says its own. It is stated on the same basis as the plate.
func (c *compiler) efficiency(list []rawAppliance, as []estimate.Appliance) float64 {
	var heat, input float64
	for i, r := range list {
		key := fmt.Sprintf("appliance.%d.efficiency", i)
		frac := c.quantity(key, r.Efficiency, percent, 0, 10, 110) / 100
		a := as[i]
		if frac > 0 && a.Kind != estimate.Heater {
			c.wrong(key, "only a heater's efficiency is of use; leave it out here")
		}
		if r.Basis == "gross" {
			if frac > 1 {
				c.wrong(key, "more than all of the gross heating value")
			}
			net, _ := lpg.Pure(lpg.Propane).HeatingMJPerKg(lpg.Net)
			gross, _ := lpg.Pure(lpg.Propane).HeatingMJPerKg(lpg.Gross)
			frac *= gross / net
		}
		if a.Kind != estimate.Heater {
			continue
		}
		if frac == 0 {
			frac = math.NaN()
		}
		heat, input = heat+frac*a.RatedKW, input+a.RatedKW
	}
	if !(heat > 0 && input > 0) {
		return 0
	}
	return heat / input
}

func heaters(as []estimate.Appliance) (names []string) {
	for _, a := range as {
		if a.Kind == estimate.Heater {
			names = append(names, a.Name)
		}
	}
	return names
}
