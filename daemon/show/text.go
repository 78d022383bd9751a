package show

import (
	"math"
	"regexp"
	"strconv"
	"strings"
)

// measured is a number as [Number], [Interval] and [Choice.Value] write it in the metric units:
// one end or two, the unit, and the interval behind a likeliest value. Its first group is the
// character before it: a number that goes on from a figure, a letter, a colon or a dash is a
// part of a time of day, a date, a name or a range that this package did not write.
var measured = regexp.MustCompile(`(^|[^\pL\d:.,/–−-])(-?\d+(?:\.\d+)?)(?:(?:–| to )(-?\d+(?:\.\d+)?))? (kg/h|g/h|kg|°C|K|kPa)\b(?: \((-?\d+(?:\.\d+)?)(?:–| to )(-?\d+(?:\.\d+)?)\))?`)

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
		u := unitNamed(part[4])
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
		case part[5] != "":
			return part[1] + c.Value(at(2), at(5), at(6), u)
		case part[3] != "":
			return part[1] + c.Interval(at(2), at(3), u)
		case u == C && !strings.Contains(part[2], "."): // whole degrees stay whole
			v, u2 := c.convert(at(2), u)
			return part[1] + withWord(fixed(v, 0), u2.word)
		}
		return part[1] + c.Number(at(2), u)
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
