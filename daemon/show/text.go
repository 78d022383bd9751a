package show

import (
	"math"
	"regexp"
	"strconv"
	"strings"
)

// measured is a number as [Number], [Interval] and [Choice.Value] write it in the metric units:
// one end or two, the unit, and the interval behind a likeliest value.
var measured = regexp.MustCompile(`(-?\d+(?:\.\d+)?)(?:(?:–| to )(-?\d+(?:\.\d+)?))? (kg/h|g/h|kg|°C|K|kPa)\b(?: \((-?\d+(?:\.\d+)?)(?:–| to )(-?\d+(?:\.\d+)?)\))?`)

// Text says a text in the chosen units. Texts of the core are metric: recordings, events and
// messages hold them word for word, and what they say must not depend on who reads it. For a
// person who chose other units each number that this package wrote into one is read back and
// written anew; what has no unit of ours stays as it is. Said twice it is the same.
func (c Choice) Text(text string) string {
	if c == (Choice{}) || c == (Choice{Gross: true}) {
		return text
	}
	return measured.ReplaceAllStringFunc(text, func(said string) string {
		part := measured.FindStringSubmatch(said)
		u := unitNamed(part[3])
		if c.Word(u) == u.metric() {
			return said
		}
		at := func(i int) float64 {
			v, err := strconv.ParseFloat(part[i], 64)
			if err != nil { // the pattern holds numbers only
				return math.NaN()
			}
			return v
		}
		switch {
		case part[4] != "":
			return c.Value(at(1), at(4), at(5), u)
		case part[2] != "":
			return c.Interval(at(1), at(2), u)
		case u == C && !strings.Contains(part[1], "."): // whole degrees stay whole
			v, u2 := c.convert(at(1), u)
			return withWord(fixed(v, 0), u2.word)
		}
		return c.Number(at(1), u)
	})
}

// unitNamed is the unit of a word in measured.
func unitNamed(word string) Unit {
	for _, u := range []Unit{KgPerH, GPerH, Kg, C, K} {
		if u.metric() == word {
			return u
		}
	}
	return KPa
}
