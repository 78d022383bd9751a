package show

import "testing"

func TestATextOfTheCoreReadsInTheUnitsOfThePhone(t *testing.T) {
	american := Choice{Pounds: true, Fahrenheit: true, Pressure: InPsi}
	for said, want := range map[string]string{
		"4.9–5.5 kg in the cylinder":                                                                    "10.8–12.1 lb in the cylinder",
		"1.31–1.92 kg a night, by the last 6":                                                           "2.9–4.2 lb a night, by the last 6",
		"expected low -15.0 to -7.0 °C, colder than before":                                             "expected low 5.0–19.4 °F, colder than before",
		"seat modelled -6 °C, coldest gas -16 °C, at most 0.05 g/h of it":                               "seat modelled 21 °F, coldest gas 3 °F, at most 0.05 g/h of it",
		"loses 4 g/h (1–7): from 0.6–2.1 g/h, weight falls by 60 g/h over 3 h, and 9 g/h could be told": "loses 4 g/h (1–7): from 0.6–2.1 g/h, weight falls by 60 g/h over 3 h, and 9 g/h could be told",
		"weight falls by 1.2 kg/h":                                                                      "weight falls by 2.65 lb/h",
		"5.2 kg (4.9–5.5) left":                                                                         "11.5 lb (10.8–12.1) left",
		"the cylinder is below the 69 kPa gauge":                                                        "the cylinder is below the 10 psi gauge",
		"moved more than 8 K in 10 min":                                                                 "moved more than 14.4 °F in 10 min",
		"no reading for 90 s; 6.1 % of the lower limit; 2 of 3; until 05:10":                            "no reading for 90 s; 6.1 % of the lower limit; 2 of 3; until 05:10",
		"3-5 kg, of 2025-11-25 kg; P5 kg":                                                               "3-5 kg, of 2025-11-25 kg; P5 kg",
		"until 05:10 to 8 °C":                                                                           "until 05:10 to 46 °F",
		"−5 kg, 4–5–6 kg":                                                                               "−5 kg, 4–5–6 kg",
		"(-3 °C); 5 kg 6 kg":                                                                            "(27 °F); 11.0 lb 13.2 lb",
		"9.0 kWh of heat":                                                                               "9.0 kWh of heat",
		"battery 11.8 V, limit 12.0 V":                                                                  "battery 11.8 V, limit 12.0 V",
	} {
		if got := american.Text(said); got != want {
			t.Errorf("%q reads %q, want %q", said, got, want)
		}
		if twice := american.Text(american.Text(said)); twice != american.Text(said) {
			t.Errorf("%q said twice reads %q", said, twice)
		}
		if got := (Choice{}).Text(said); got != said {
			t.Errorf("in metric units %q reads %q", said, got)
		}
		if got := (Choice{Pressure: InBar}).Text("4.90 kg at -6 °C"); got != "4.90 kg at -6 °C" {
			t.Errorf("who chose a pressure alone reads %q", got)
		}
	}
	if got, want := (Choice{Burn: ByKW}).Text("can boil off 0.29 kg/h"), "can boil off "+(Choice{Burn: ByKW}).Number(0.29, KgPerH); got != want {
		t.Errorf("a burn as heat reads %q, want %q", got, want)
	}
}

// Whatever this package writes it can read again.
func TestEveryNumberThatIsWrittenIsReadBack(t *testing.T) {
	american := Choice{Pounds: true, Fahrenheit: true, Pressure: InPsi}
	for _, u := range []Unit{Kg, KgPerH, C, K, KPa} {
		for _, v := range []float64{-41.26, -3, -0.4, 0, 0.07, 0.96, 5.2, 17, 236.8, 1234} {
			for _, said := range []string{Number(v, u), Interval(v, v+0.9, u), Choice{}.Value(v, v-1, v+1, u)} {
				if got := american.Text(said); got == said || measured.MatchString(got) {
					t.Errorf("%q reads %q", said, got)
				}
			}
		}
	}
}
