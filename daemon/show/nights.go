package show

import (
	"fmt"
	"math"
	"strings"
)

// NightBar is one night of the strip. NaN is unknown.
type NightBar struct {
	Label  string  // under the bar, "Tue" or "24"
	Kg     float64 // burned
	LowC   float64 // lowest outside temperature
	Target string  // address of the night, "" for none
}

// NightsPicture is the strip of nights: past and future of the cylinder in one picture.
type NightsPicture struct {
	Title   string
	Desc    string
	Past    []NightBar // oldest first; Kg unknown draws an open mark
	Tonight NightBar   // what tonight is expected to burn
	// LeftLow, Left and LeftHigh are the nights still in the cylinder, tonight among them.
	// LeftLow of them are sure, the rest up to LeftHigh uncertain. NaN is unknown.
	LeftLow, Left, LeftHigh float64
	PastOnly                bool // a print of the ledger: no tonight, nothing ahead
	Units                   Choice
}

const (
	stripH     = 132.0
	stripTop   = 14.0 // the line the bars hang from
	barLong    = 62.0 // the longest bar
	dotsTop    = 86.0 // the band of the lows
	dotsBottom = 112.0
	barPitch   = 26.0
	barWide    = 16.0
	barGap     = (barPitch - barWide) / 2
	leastHatch = 6.0 // shorter bars, or bars narrower than this on a narrow phone, carry no hatching
	narrowPx   = 320.0
	countWide  = 60.0  // the number stands at the right end
	leastWide  = 300.0 // of a picture of few nights: as wide as a phone, its words are not blown up there
	mostLeft   = 14    // nights to come that are drawn one by one
)

// StripOfNights draws past nights as filled bars hanging from a line, each as long as what it
// burned, with its low as a dot on one temperature scale under them. Tonight is marked by
// a stroke through the line. The nights still in the cylinder hang to the right in
// outline; those that are not sure are hatched, and the strip ends where the fuel does.
// The number of them is printed.
func StripOfNights(p NightsPicture) string {
	known := finite(p.LeftLow) && finite(p.Left) && finite(p.LeftHigh) && p.LeftHigh >= 0
	ahead := 1
	if known {
		ahead = max(1, min(mostLeft, int(math.Ceil(p.LeftHigh))))
	}
	if p.PastOnly {
		ahead, p.Tonight = 0, NightBar{Kg: math.NaN(), LowC: math.NaN()}
	}
	bars := barPitch * float64(len(p.Past)+ahead)
	w := max(bars+countWide, leastWide)
	s := strip{p: p, w: w, scale: p.longest()}
	s.lowC, s.highC = p.temperatures()
	open(&s.b, "nights", "xMidYMid meet", w, stripH, p.Title, p.Desc)
	fmt.Fprintf(&s.b, `<line class="nights-line" x1="0" y1="%s" x2="%s" y2="%s"/>`, num(stripTop), num(bars), num(stripTop))
	for i, n := range p.Past {
		s.past(barPitch*float64(i), n)
	}
	if p.PastOnly {
		fmt.Fprintf(&s.b, `<text class="nights-label" x="0" y="%s">%s</text>`, num(stripTop-4), text(p.Desc))
		fmt.Fprintf(&s.b, `<text class="nights-scale" x="%s" y="%s" text-anchor="end">%s</text>`,
			num(w), num(stripTop+barLong), text(p.Units.Number(s.scale, Kg)))
		s.ends()
		s.b.WriteString(`</svg>`)
		return s.b.String()
	}
	x := barPitch * float64(len(p.Past))
	fmt.Fprintf(&s.b, `<path class="nights-now" d="M%s 2V%s"/>`, num(x), num(dotsTop-4))
	s.label(x, p.Tonight, "nights-label nights-tonight")
	s.dot(x, p.Tonight.LowC)
	if known {
		for i := range ahead {
			s.left(x+barPitch*float64(i), float64(i))
		}
		if p.LeftHigh > mostLeft { // the rest is said by the number
			fmt.Fprintf(&s.b, `<text class="nights-more" x="%s" y="%s">…</text>`, num(bars), num(stripTop+4))
		}
	} else {
		fmt.Fprintf(&s.b, `<text class="nights-unknown" x="%s" y="%s">?</text>`, num(x+barPitch/2), num(stripTop+18))
	}
	s.count(known)
	s.ends()
	s.b.WriteString(`</svg>`)
	return s.b.String()
}

// strip is a strip being drawn.
type strip struct {
	b           strings.Builder
	p           NightsPicture
	w           float64
	scale       float64 // kg of the longest bar
	lowC, highC float64 // ends of the temperature scale
}

// longest is the fuel of the longest bar: no bar is cut, and none is drawn longer than its
// share.
func (p NightsPicture) longest() float64 {
	most := 0.0
	for _, n := range append(p.Past[:len(p.Past):len(p.Past)], p.Tonight) {
		if finite(n.Kg) {
			most = max(most, n.Kg)
		}
	}
	if most == 0 {
		return 1
	}
	return most
}

func (p NightsPicture) temperatures() (low, high float64) {
	low, high = math.Inf(1), math.Inf(-1)
	for _, n := range append(p.Past[:len(p.Past):len(p.Past)], p.Tonight) {
		if finite(n.LowC) {
			low, high = min(low, n.LowC), max(high, n.LowC)
		}
	}
	return low, high
}

func (s *strip) past(x float64, n NightBar) {
	if n.Target != "" {
		fmt.Fprintf(&s.b, `<a href="%s">`, text(n.Target))
	}
	if finite(n.Kg) && n.Kg >= 0 {
		fmt.Fprintf(&s.b, `<rect class="nights-past" x="%s" y="%s" width="%s" height="%s"><title>%s</title></rect>`,
			num(x+barGap), num(stripTop), num(barWide), num(n.Kg/s.scale*barLong), text(s.said(n)))
	} else {
		fmt.Fprintf(&s.b, `<circle class="nights-blank" cx="%s" cy="%s" r="3" fill="none"><title>%s</title></circle>`,
			num(x+barPitch/2), num(stripTop+8), text(s.said(n)))
	}
	s.dot(x, n.LowC)
	s.label(x, n, "nights-label")
	if n.Target != "" {
		s.b.WriteString(`</a>`)
	}
}

// said is a night in words, for a pointer that rests on it.
func (s *strip) said(n NightBar) string {
	burned, low := Unknown, Unknown
	if finite(n.Kg) {
		burned = s.p.Units.Number(n.Kg, Kg)
	}
	if finite(n.LowC) {
		low = s.p.Units.Number(n.LowC, C)
	}
	return n.Label + ": burned " + burned + ", low " + low
}

// left is the night i after tonight, as far as there is fuel for it.
func (s *strip) left(x, i float64) {
	kg := s.p.Tonight.Kg
	if !finite(kg) || kg <= 0 {
		kg = s.scale
	}
	share := min(1, s.p.LeftHigh-i) // of this night
	long := kg / s.scale * barLong * share
	if long <= 0 {
		return
	}
	sure := min(1, max(0, s.p.LeftLow-i)) / share
	class := "nights-left"
	if sure < 1 {
		class = "nights-left nights-unsure"
	}
	fmt.Fprintf(&s.b, `<rect class="%s" fill="none" x="%s" y="%s" width="%s" height="%s"/>`,
		class, num(x+barGap), num(stripTop), num(barWide), num(long))
	if from := stripTop + long*sure; sure < 1 {
		s.hatch(x+barGap, from, stripTop+long)
	}
}

// hatch draws slanted strokes within the part of a bar that is not sure. They are computed
// and not a pattern, because a pattern needs an id and two strips may stand on one page.
func (s *strip) hatch(x, top, bottom float64) {
	if bottom-top < leastHatch || barWide*narrowPx/s.w < leastHatch {
		return
	}
	const step = 4.0
	var d strings.Builder
	for c := top + step; c < bottom+barWide; c += step { // stroke where right side is at height c-barWide
		x1, y1 := x, c
		x2, y2 := x+barWide, c-barWide
		if y1 > bottom {
			x1, y1 = x+(y1-bottom), bottom
		}
		if y2 < top {
			x2, y2 = x+(c-top), top
		}
		if x2 > x1 {
			fmt.Fprintf(&d, "M%s %sL%s %s", num(x1), num(y1), num(x2), num(y2))
		}
	}
	fmt.Fprintf(&s.b, `<path class="nights-hatch" fill="none" d="%s"/>`, d.String())
}

func (s *strip) dot(x, lowC float64) {
	if !finite(lowC) {
		return
	}
	y := (dotsTop + dotsBottom) / 2
	if s.highC > s.lowC {
		y = dotsBottom - (lowC-s.lowC)/(s.highC-s.lowC)*(dotsBottom-dotsTop)
	}
	fmt.Fprintf(&s.b, `<circle class="nights-low" cx="%s" cy="%s" r="2.5"/>`, num(x+barPitch/2), num(y))
}

func (s *strip) label(x float64, n NightBar, class string) {
	if n.Label != "" {
		fmt.Fprintf(&s.b, `<text class="%s" x="%s" y="%s" text-anchor="middle">%s</text>`,
			class, num(x+barPitch/2), num(stripH-4), text(n.Label))
	}
}

// count prints the level of the cylinder, which is the number of outlined bars.
func (s *strip) count(known bool) {
	number := Unknown
	if known {
		number = Number(s.p.Left, Nights)
	}
	n, word, _ := strings.Cut(number, " ")
	fmt.Fprintf(&s.b, `<text class="nights-count" x="%s" y="%s" text-anchor="end">%s</text>`, num(s.w), num(stripTop+12), text(n))
	if word != "" {
		fmt.Fprintf(&s.b, `<text class="nights-word" x="%s" y="%s" text-anchor="end">%s</text>`, num(s.w), num(stripTop+26), text(word+" left"))
	}
}

// ends says the ends of the temperature scale.
func (s *strip) ends() {
	if finite(s.lowC) && s.highC > s.lowC {
		for _, end := range []struct{ c, y float64 }{{s.highC, dotsTop}, {s.lowC, dotsBottom}} {
			fmt.Fprintf(&s.b, `<text class="nights-scale" x="%s" y="%s" text-anchor="end">%s</text>`, num(s.w), num(end.y+3), text(s.p.Units.Number(end.c, C)))
		}
	}
}

// Document makes an inline picture a file of its own: with its name space, and with the looks
// that the page's style sheet gives it there.
func Document(svg string) string {
	head, rest, ok := strings.Cut(svg, ">")
	if !ok {
		return svg
	}
	head = strings.Replace(head, "<svg ", `<svg xmlns="http://www.w3.org/2000/svg" `, 1)
	return head + "><style>svg{font:10px sans-serif;fill:#222}" +
		".nights-line{stroke:#222;stroke-width:2}.nights-now{stroke:#222;stroke-dasharray:2 2}.nights-past{fill:#777}" +
		".nights-blank,.nights-left{stroke:#222;stroke-width:1.25}.nights-unsure{stroke-dasharray:3 2}.nights-hatch{stroke:#777}" +
		".nights-count{font-size:16px}</style>" + rest + "\n"
}
