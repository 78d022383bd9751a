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

// A bar is a target for a thumb: 48 by 200 CSS pixels where letters have their usual size.
const (
	barPitch   = 48.0
	barWide    = 26.0
	barGap     = (barPitch - barWide) / 2
	stripH     = 200.0
	stripTop   = 10.0 // the line the bars hang from
	barLong    = 92.0 // the longest bar; its number stands under it
	dotsTop    = 134.0
	dotsBottom = 160.0 // of the band of the lows; their numbers stand under them
	leastHatch = 6.0   // what is not sure of a bar is hatched from this height on
	printTop   = 26.0  // room over a print for its words
	printWide  = 64.0  // and beside it for the units
	leastPrint = 300.0
	mostLeft   = 14 // nights to come that are drawn one by one
)

// StripOfNights draws past nights as filled bars hanging from a line, each as long as what it
// burned, with its low as a dot on one temperature scale under them; both carry their
// number. The nights still in the cylinder hang from the same line in outline, those that are
// not sure hatched, and the line ends where the fuel does; a stroke marks tonight. The two
// parts are pictures of one scale, to be set side by side; how many nights are left and in
// which units the numbers are stands in the words beside them. A print has no second part.
func StripOfNights(p NightsPicture) (past, ahead string) {
	s := strip{p: p}
	if p.PastOnly {
		s.p.Tonight = NightBar{Kg: math.NaN(), LowC: math.NaN()}
	}
	s.scale = s.p.longest()
	s.lowC, s.highC = s.p.temperatures()
	if p.PastOnly {
		return s.print(), ""
	}
	return s.behind(), s.ahead()
}

// behind is the nights that were, each a link where it has a target.
func (s *strip) behind() string {
	if len(s.p.Past) == 0 {
		return ""
	}
	w := barPitch * float64(len(s.p.Past))
	s.sheet("group", w, stripH, s.p.Title, fmt.Sprintf("%d behind, the oldest first", len(s.p.Past)))
	s.bars(w)
	return s.close()
}

func (s *strip) bars(w float64) {
	fmt.Fprintf(&s.b, `<line class="nights-line" x1="0" y1="%s" x2="%s" y2="%s"/>`, num(stripTop), num(w), num(stripTop))
	for i, n := range s.p.Past {
		s.past(barPitch*float64(i), n)
	}
}

// ahead is tonight and the nights after it.
func (s *strip) ahead() string {
	known := finite(s.p.LeftLow) && finite(s.p.Left) && finite(s.p.LeftHigh) && s.p.LeftHigh >= 0
	n := 1
	if known {
		n = max(1, min(mostLeft, int(math.Ceil(s.p.LeftHigh))))
	}
	w := barPitch * float64(n)
	role := "img"
	if s.p.Tonight.Target != "" {
		role = "group"
	}
	s.sheet(role, w, stripH, s.p.Title, s.p.Desc)
	fmt.Fprintf(&s.b, `<line class="nights-line" x1="0" y1="%s" x2="%s" y2="%s"/><path class="nights-now" d="M1 0V%s"/>`,
		num(stripTop), num(w), num(stripTop), num(stripH))
	switch {
	case known:
		for i := range n {
			s.left(barPitch*float64(i), float64(i))
		}
		if s.p.LeftHigh > mostLeft { // the rest is said by the number
			fmt.Fprintf(&s.b, `<text class="nights-more" x="%s" y="%s" text-anchor="end">…</text>`, num(w), num(stripTop+barLong))
		}
	default:
		fmt.Fprintf(&s.b, `<text class="nights-unknown" x="%s" y="%s" text-anchor="middle">?</text>`, num(barPitch/2), num(stripTop+28))
	}
	s.low(0, s.p.Tonight.LowC)
	fmt.Fprintf(&s.b, `<text class="nights-label nights-tonight" x="6" y="%s">%s</text>`, num(stripH-5), text(s.p.Tonight.Label)) // clear of the stroke
	s.link(s.p.Tonight, "tonight: "+s.said(s.p.Tonight, "expected to burn"), 0)
	return s.close()
}

// print is the nights that were on a sheet of their own, with its words over it.
func (s *strip) print() string {
	bars := barPitch * float64(len(s.p.Past))
	w := max(bars+printWide, leastPrint)
	s.sheet("img", w, stripH+printTop, s.p.Title, s.p.Desc)
	fmt.Fprintf(&s.b, `<text class="nights-title" x="0" y="16">%s</text><g transform="translate(0 %s)">`, text(s.p.Desc), num(printTop))
	s.bars(bars)
	fmt.Fprintf(&s.b, `<text class="nights-scale" x="%s" y="%s">%s burned</text><text class="nights-scale" x="%s" y="%s">%s, low</text></g>`,
		num(bars+6), num(stripTop+12), text(s.p.Units.Word(Kg)), num(bars+6), num(dotsBottom), text(s.p.Units.Word(C)))
	return s.close()
}

// sheet begins a picture whose unit is a sixteenth of the page's letters, so that it grows
// with them.
func (s *strip) sheet(role string, w, h float64, title, desc string) {
	s.b.Reset()
	open(&s.b, "nights", "xMinYMin meet", w, h, title, desc)
	head := s.b.String()
	s.b.Reset()
	s.b.WriteString(strings.Replace(head, `role="img"`, fmt.Sprintf(`role="%s" width="%srem" height="%srem"`, role, num(w/16), num(h/16)), 1))
}

func (s *strip) close() string {
	s.b.WriteString(`</svg>`)
	return s.b.String()
}

// strip is a strip being drawn.
type strip struct {
	b           strings.Builder
	p           NightsPicture
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
	s.b.WriteString(`<g aria-hidden="true">`) // said in the link, or in the ledger
	long := 0.0
	if finite(n.Kg) && n.Kg >= 0 {
		long = n.Kg / s.scale * barLong
		fmt.Fprintf(&s.b, `<rect class="nights-past" x="%s" y="%s" width="%s" height="%s"/>`,
			num(x+barGap), num(stripTop), num(barWide), num(long))
	} else {
		fmt.Fprintf(&s.b, `<circle class="nights-blank" cx="%s" cy="%s" r="3.5" fill="none"/>`, num(x+barPitch/2), num(stripTop+10))
		long = 14
	}
	s.kg(x, long, n.Kg)
	s.low(x, n.LowC)
	s.label(x, n, "nights-label")
	s.b.WriteString(`</g>`)
	s.link(n, n.Label+": "+s.said(n, "burned"), x)
}

// link lies over the whole night, if that has a target.
func (s *strip) link(n NightBar, said string, x float64) {
	if n.Target != "" {
		fmt.Fprintf(&s.b, `<a class="nights-open" href="%s" aria-label="%s"><rect class="nights-target" x="%s" y="0" width="%s" height="%s" fill="none"/></a>`,
			text(n.Target), text(said), num(x), num(barPitch), num(stripH))
	}
}

// said is a night in words.
func (s *strip) said(n NightBar, burned string) string {
	kg, low := Unknown, Unknown
	if finite(n.Kg) {
		kg = s.p.Units.Number(n.Kg, Kg)
	}
	if finite(n.LowC) {
		low = s.p.Units.Number(n.LowC, C)
	}
	return burned + " " + kg + ", low " + low
}

// kg is the number under a bar.
func (s *strip) kg(x, long, kg float64) {
	said := "?"
	if finite(kg) {
		said, _, _ = s.p.Units.Parts(kg, kg, kg, Kg)
	}
	fmt.Fprintf(&s.b, `<text class="nights-kg" x="%s" y="%s" text-anchor="middle">%s</text>`, num(x+barPitch/2), num(stripTop+long+14), said)
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
	if i == 0 && finite(s.p.Tonight.Kg) {
		s.kg(x, long, s.p.Tonight.Kg)
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
	if bottom-top < leastHatch {
		return
	}
	const step = 6.0
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

// low is the night's low as a dot with its number.
func (s *strip) low(x, lowC float64) {
	if !finite(lowC) {
		return
	}
	y := (dotsTop + dotsBottom) / 2
	if s.highC > s.lowC {
		y = dotsBottom - (lowC-s.lowC)/(s.highC-s.lowC)*(dotsBottom-dotsTop)
	}
	said, _, _ := s.p.Units.Parts(lowC, lowC, lowC, C)
	fmt.Fprintf(&s.b, `<circle class="nights-low" cx="%s" cy="%s" r="3"/><text class="nights-c" x="%s" y="%s" text-anchor="middle">%s</text>`,
		num(x+barPitch/2), num(y), num(x+barPitch/2), num(y+16), said)
}

func (s *strip) label(x float64, n NightBar, class string) {
	if n.Label != "" {
		fmt.Fprintf(&s.b, `<text class="%s" x="%s" y="%s" text-anchor="middle">%s</text>`,
			class, num(x+barPitch/2), num(stripH-5), text(n.Label))
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
	return head + "><style>svg{font:12px sans-serif;fill:#222}" +
		".nights-line{stroke:#222;stroke-width:2}.nights-now{stroke:#222;stroke-dasharray:2 2}.nights-past{fill:#777}" +
		".nights-blank,.nights-left{stroke:#222;stroke-width:1.25}.nights-unsure{stroke-dasharray:3 2}.nights-hatch{stroke:#777}</style>" + rest + "\n"
}
