package config

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
)

// A unit is what one of it is in the unit the program computes with: value*factor+offset.
type unit struct {
	name           string
	factor, offset float64
}

// A dimension is a kind of quantity and the units people may write it in. The first unit
// is the one the program computes with.
type dimension struct {
	what  string
	units []unit
}

// Conversions are exact by definition (international pound and foot; Btu by the
// International Table value, 1055.056 J).
var (
	mass        = dimension{"a mass", []unit{{"kg", 1, 0}, {"g", 1e-3, 0}, {"lb", 0.45359237, 0}, {"oz", 0.028349523125, 0}}}
	power       = dimension{"a power", []unit{{"kW", 1, 0}, {"W", 1e-3, 0}, {"BTU/h", 1055.05585262 / 3.6e6, 0}, {"Btu/h", 1055.05585262 / 3.6e6, 0}}}
	temperature = dimension{"a temperature", []unit{{"C", 1, 0}, {"°C", 1, 0}, {"F", 5.0 / 9, -160.0 / 9}, {"°F", 5.0 / 9, -160.0 / 9}}}
	length      = dimension{"a length", []unit{{"m", 1, 0}, {"ft", 0.3048, 0}}}
	diameter    = dimension{"a diameter", []unit{{"mm", 1, 0}, {"cm", 10, 0}, {"in", 25.4, 0}}}
	volume      = dimension{"a volume", []unit{{"L", 1, 0}, {"l", 1, 0}, {"gal", 3.785411784, 0}}}
	gauge       = dimension{"a gauge pressure", []unit{{"kPa", 1, 0}, {"bar", 100, 0}, {"mbar", 0.1, 0}, {"psi", 6.894757293168, 0}}}
	voltage     = dimension{"a voltage", []unit{{"V", 1, 0}, {"mV", 1e-3, 0}}}
	current     = dimension{"a current", []unit{{"A", 1, 0}, {"mA", 1e-3, 0}}}
	resistance  = dimension{"a resistance", []unit{{"ohm", 1, 0}, {"kohm", 1e3, 0}}}
	massPerK    = dimension{"a mass per kelvin", []unit{{"g/K", 1, 0}, {"kg/K", 1e3, 0}}}
	ppmPerK     = dimension{"parts per million per kelvin", []unit{{"ppm/K", 1, 0}}}
	percent     = dimension{"a percentage", []unit{{"%", 1, 0}}}
	countsPer   = dimension{"ADC counts per mass", []unit{{"counts/kg", 1, 0}, {"counts/g", 1e3, 0}, {"counts/lb", 1 / 0.45359237, 0}}}
	bridge      = dimension{"a rated output", []unit{{"mV/V", 1, 0}}}
	share       = dimension{"a share of air by volume", []unit{{"ppm", 1, 0}, {"%vol", 1e4, 0}}}
	counts      = dimension{"ADC counts", []unit{{"counts", 1, 0}}}
	duration    = dimension{"a length of time", []unit{{"s", 1, 0}, {"ms", 1e-3, 0}, {"min", 60, 0}, {"h", 3600, 0}, {"d", 86400, 0}}}
)

// parse reads "9.1 kg". The number and the unit may stand together or apart.
func (d dimension) parse(text string) (float64, error) {
	text = strings.TrimSpace(text)
	cut := strings.LastIndexAny(text, "0123456789.") + 1
	number, name := strings.TrimSpace(text[:cut]), strings.TrimSpace(text[cut:])
	v, err := strconv.ParseFloat(number, 64)
	if err != nil || math.IsInf(v, 0) || math.IsNaN(v) {
		return 0, fmt.Errorf("%q is not %s; write it like %q", text, d.what, d.example())
	}
	for _, u := range d.units {
		if u.name == name {
			return v*u.factor + u.offset, nil
		}
	}
	if name == "" {
		return 0, fmt.Errorf("%q has no unit; write it like %q", text, number+" "+d.units[0].name)
	}
	return 0, fmt.Errorf("%q: %s is not a unit of %s; take one of %s", text, name, d.what, d.names())
}

func (d dimension) example() string { return "9.1 " + d.units[0].name }

func (d dimension) names() string {
	names := make([]string, len(d.units))
	for i, u := range d.units {
		names[i] = u.name
	}
	return strings.Join(names, ", ")
}

// parseClock reads a time of day as minutes after midnight.
func parseClock(text string) (int, error) {
	t, err := time.Parse("15:04", text)
	if err != nil {
		return 0, fmt.Errorf("%q is not a time of day; write it like \"18:00\"", text)
	}
	return t.Hour()*60 + t.Minute(), nil
}
