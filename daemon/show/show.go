// Package show is the one way a number is said and drawn: units, intervals, ages, odds and
// the small pictures of the page. Logs, events and page all come through it, so they never
// differ by a digit or by "-0".
//
// It reads no clock and keeps no state. What cannot be said is said as "unknown".
package show

import (
	"math"
	"strconv"
	"strings"

	"frostline/daemon/lpg"
)

// Unit is what a number counts. Values are handed over in the metric unit the name says;
// a [Choice] may show them in another.
type Unit uint8

// The units of the program. Temperatures are Celsius, mass kilograms. A pressure is absolute
// or gauge as the words beside it say; the unit is the same, and so is that of a difference.
const (
	Kg     Unit = iota
	GPerH       // a loss of weight, in grams per hour in any choice: no burn, so never heat, and too small for lb/h
	KgPerH      // a burn, or what a cylinder can give to burn, in kilograms per hour
	C
	K // a difference of temperatures
	KPa
	V
	H
	PctLEL
	Pct
	Ratio
	Nights
	W
	WPerK
	Ohm
	M
	Count // of things, no word

	// What the units above read as in another choice; nothing is handed over in these.
	bar
	psi
	inWC
	mbar
	kW
	btuPerH
)

// Choice is how one phone wants its numbers. The zero value is metric; what is stored stays
// metric whatever is chosen.
type Choice struct {
	Pounds     bool // lb and lb/h instead of kg and kg/h
	Fahrenheit bool
	Pressure   Pressure
	Burn       Burn
	Gross      bool // heat of a burn on the gross heating value instead of the net one
}

// Pressure is the unit in which pressures are said.
type Pressure uint8

// The units of pressure.
const (
	InKPa Pressure = iota
	InBar
	InPsi
	InWC // inches of water column
	InMbar
)

// Burn is the unit in which a burn is said.
type Burn uint8

// The units of a burn. The heat is that of propane (butane gives 1.3 to 2 % less) and its
// basis is said with it.
const (
	ByMass Burn = iota // kg/h, or lb/h with Pounds
	ByKW
	ByBTU // BTU/h
)

// All exact: the pound and the inch of the international agreement of 1959, standard gravity
// of the 3rd CGPM (1901). The inch of water is the conventional one, of 1000 kg/m3 under
// standard gravity: 0.2490889 kPa; with water of 60 F it is 0.1 % smaller (999.0 kg/m3, from
// memory).
const (
	kgPerLb     = 0.45359237
	mPerInch    = 0.0254
	gravityMPS2 = 9.80665
	kPaPerPsi   = kgPerLb * gravityMPS2 / (mPerInch * mPerInch) / 1000
	kPaPerInWC  = 1000 * gravityMPS2 * mPerInch / 1000
	kPaPerBar   = 100
	kPaPerMbar  = 0.1
)

// Unknown is said in place of a number that means nothing.
const Unknown = "unknown"

const lbPerKg = 1 / kgPerLb

// Number says v with its unit, "-3.4 °C", in the metric units. NaN and infinities read
// "unknown".
func Number(v float64, u Unit) string { return Choice{}.Number(v, u) }

// Interval says both ends in the same precision and the unit once, "4.9–5.5 kg".
func Interval(low, high float64, u Unit) string { return Choice{}.Interval(low, high, u) }

// Number is [Number] in the chosen units.
func (c Choice) Number(v float64, u Unit) string {
	v, u2 := c.convert(v, u)
	if !finite(v) {
		return Unknown
	}
	said := fixed(v, u2.decimals(math.Abs(v)))
	return withWord(said, u2.wordFor(said))
}

// Interval is [Interval] in the chosen units. Ends that read the same are said once. Ends
// in the wrong order are turned round.
func (c Choice) Interval(low, high float64, u Unit) string {
	low, u2 := c.convert(low, u)
	high, _ = c.convert(high, u)
	if !finite(low) || !finite(high) {
		return Unknown
	}
	if low > high {
		low, high = high, low
	}
	n := u2.decimals(max(math.Abs(low), math.Abs(high)))
	from, to := fixed(low, n), fixed(high, n)
	said := span(from, to)
	if from == to {
		said = to
	}
	return withWord(said, u2.wordFor(to))
}

// Value is the likeliest number with its interval behind it, "5.2 kg (4.9–5.5)", all three
// in one precision.
func (c Choice) Value(v, low, high float64, u Unit) string {
	value, word, interval := c.Parts(v, low, high, u)
	if interval == "" {
		return value
	}
	if word != "" {
		value += " " + word
	}
	return value + " (" + interval + ")"
}

// Parts is [Choice.Value] taken apart for the columns of a page. Of an unknown number only
// value is set, to "unknown".
func (c Choice) Parts(v, low, high float64, u Unit) (value, word, interval string) {
	v, u2 := c.convert(v, u)
	low, _ = c.convert(low, u)
	high, _ = c.convert(high, u)
	if !finite(v) || !finite(low) || !finite(high) {
		return Unknown, "", ""
	}
	n := u2.decimals(max(math.Abs(low), math.Abs(high), math.Abs(v)))
	return fixed(v, n), u2.wordFor(fixed(v, n)), span(fixed(low, n), fixed(high, n))
}

// span puts two ends together. A dash beside a minus sign cannot be read in the dark.
func span(from, to string) string {
	if from[0] == '-' || to[0] == '-' {
		return from + " to " + to
	}
	return from + "–" + to
}

// Word is the unit alone as the chosen units write it, "lb" for [Kg] in pounds.
func (c Choice) Word(u Unit) string {
	_, u2 := c.convert(0, u)
	return u2.word
}

// unit is a unit as written: its word, and how many decimals mean something.
type unit struct {
	word string
	kind Unit
}

func (c Choice) convert(v float64, u Unit) (float64, unit) {
	switch {
	case u == C && c.Fahrenheit:
		return v*9/5 + 32, unit{"°F", u}
	case u == K && c.Fahrenheit:
		return v * 9 / 5, unit{"°F", u}
	case u == Kg && c.Pounds:
		return v * lbPerKg, unit{"lb", u}
	case u == KgPerH && c.Burn != ByMass:
		return c.heat(v)
	case u == KPa && c.Pressure != InKPa:
		return c.pressure(v)
	case u == KgPerH && c.Pounds:
		return v * lbPerKg, unit{"lb/h", u}
	}
	return v, unit{u.metric(), u}
}

// pressure says kPa in the chosen unit.
func (c Choice) pressure(kPa float64) (float64, unit) {
	switch c.Pressure {
	case InBar:
		return kPa / kPaPerBar, unit{"bar", bar}
	case InPsi:
		return kPa / kPaPerPsi, unit{"psi", psi}
	case InWC:
		return kPa / kPaPerInWC, unit{"in w.c.", inWC}
	case InMbar:
		return kPa / kPaPerMbar, unit{"mbar", mbar}
	}
	return kPa, unit{KPa.metric(), KPa}
}

// heat says a burn of propane as heat, with its basis. It is a plain product, for the low end
// of an interval may lie below zero.
func (c Choice) heat(kgPerH float64) (float64, unit) {
	basis, word := lpg.Net, " net"
	if c.Gross {
		basis, word = lpg.Gross, " gross"
	}
	mJPerKg, ok := lpg.Pure(lpg.Propane).HeatingMJPerKg(basis)
	if !ok {
		mJPerKg = math.NaN()
	}
	kWs := kgPerH * mJPerKg / 3.6
	if c.Burn == ByBTU {
		return lpg.BTUPerH(kWs), unit{"BTU/h" + word, btuPerH}
	}
	return kWs, unit{"kW" + word, kW}
}

func (u Unit) metric() string {
	switch u {
	case Kg:
		return "kg"
	case GPerH:
		return "g/h"
	case KgPerH:
		return "kg/h"
	case C:
		return "°C"
	case K:
		return "K"
	case KPa:
		return "kPa"
	case V:
		return "V"
	case H:
		return "h"
	case PctLEL:
		return "% LEL"
	case Pct:
		return "%"
	case Nights:
		return "nights"
	case W:
		return "W"
	case WPerK:
		return "W/K"
	case Ohm:
		return "Ω"
	case M:
		return "m"
	}
	return ""
}

// decimals is how many say something at this size: about what the sensors can tell, and one
// more below 1, so that an interval does not shrink to a single figure near empty. Below
// zero it counts the figures before the point that say nothing: -2 is hundreds.
func (u unit) decimals(size float64) int {
	small := size < 0.9995 // what still reads below 1 with its decimals
	switch u.kind {
	case Kg, K, H, Nights, PctLEL:
		switch {
		case u.kind == H && size >= 9.95, u.kind == PctLEL && size >= 9.95:
			return 0
		case small && (u.kind == Kg || u.kind == H):
			return 2
		}
		return 1
	case C:
		return 1
	case KgPerH, Ratio:
		return 2
	case V:
		return 2
	case KPa:
		return threeFigures(size)
	case inWC, mbar:
		return min(threeFigures(size), 1) - oneIf(size >= 999.5)
	case bar:
		return 2 + oneIf(small)
	case psi:
		return oneIf(size < 9.95) + oneIf(small)
	case kW:
		return max(threeFigures(size), 1)
	case btuPerH: // to the hundred: 0.01 kg/h, which is what the same burn reads to, is five of them
		return -1 - oneIf(size >= 995)
	}
	return 0
}

// threeFigures is the decimals that give three figures to numbers from 1 to 999.
func threeFigures(size float64) int {
	return oneIf(size < 99.95) + oneIf(size < 9.995)
}

func oneIf(yes bool) int {
	if yes {
		return 1
	}
	return 0
}

// wordFor is the word behind a number as it was said; one night is not "1.0 nights".
func (u unit) wordFor(said string) string {
	if u.kind == Nights && said == "1.0" {
		return "night"
	}
	return u.word
}

func withWord(said, word string) string {
	if word == "" {
		return said
	}
	return said + " " + word
}

// fixed rounds half away from zero, as people do, and never gives a negative zero. Decimals
// below zero round to tens and hundreds.
func fixed(v float64, decimals int) string {
	scale := math.Pow10(decimals)
	decimals = max(decimals, 0)
	if r := math.Round(v*scale) / scale; finite(r) {
		v = r
	}
	if v == 0 {
		return strconv.FormatFloat(0, 'f', decimals, 64) // whatever sign the zero had
	}
	return strconv.FormatFloat(v, 'f', decimals, 64)
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// Plain is v with so many decimals for a machine: no unit, no grouping, never minus zero.
func Plain(v float64, decimals int) string {
	text := strconv.FormatFloat(v, 'f', decimals, 64)
	if strings.Trim(text, "-0.") == "" {
		return strings.TrimPrefix(text, "-")
	}
	return text
}
