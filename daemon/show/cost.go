package show

import (
	"fmt"
	"math"
	"strings"
)

// CostNight is one night of a [CostPicture]. NaN is unknown and leaves it out.
type CostNight struct {
	Label    string  // its date, for a pointer that rests on it
	OutsideC float64 // mean of the night
	Kg       float64 // burned
	Aside    bool    // no part of the fit: drawn as a ring
}

// CostPoint is what a night at OutsideC is taken to burn; 19 nights in 20 lie between LowKg
// and HighKg.
type CostPoint struct{ OutsideC, Kg, LowKg, HighKg float64 }

// CostPicture is fuel per night against the night's mean outside temperature.
type CostPicture struct {
	Title   string
	Desc    string // what it says, in a sentence
	Nights  []CostNight
	Line    []CostPoint // in order of temperature
	Typical bool        // the line is not this van's: dashed
	Units   Choice
}

const (
	costW, costH = 320.0, 200.0
	costLeft     = 30.0  // room for the numbers of the scale
	costRight    = 312.0 // half a number of the temperature scale hangs over
	costTop      = 22.0
	costBottom   = 164.0
)

// Cost draws the nights as dots, those aside as rings, over the line and its band. Cold is on
// the left, fuel begins at nothing. Strokes and fills are attributes, which a style sheet may
// overrule; dots, line and band differ by shape. Without a night or a line it is an empty frame.
func Cost(p CostPicture) string {
	s := costSheet{p: p}
	s.scales()
	open(&s.b, "cost", "xMidYMid meet", costW, costH, p.Title, p.Desc)
	s.b.WriteString(`<g font-family="sans-serif" font-size="10" fill="#222">`)
	fmt.Fprintf(&s.b, `<text class="cost-word" x="0" y="10">%s a night</text><text class="cost-word" x="%s" y="%s" text-anchor="end">mean outside, %s</text>`,
		text(p.Units.Word(Kg)), num(costRight), num(costH-4), text(p.Units.Word(C)))
	s.band()
	s.grid()
	s.line()
	for _, n := range p.Nights {
		s.night(n)
	}
	s.b.WriteString(`</g></svg>`)
	return s.b.String()
}

// costSheet is a picture being drawn. Its scales are in the units shown.
type costSheet struct {
	b              strings.Builder
	p              CostPicture
	cold, warm     float64
	most           float64
	stepX, stepY   float64
	places, placeX int
}

func (s *costSheet) kg(v float64) float64 { v, _ = s.p.Units.convert(v, Kg); return v }
func (s *costSheet) c(v float64) float64  { v, _ = s.p.Units.convert(v, C); return v }

func (n CostNight) drawn() bool { return finite(n.OutsideC) && finite(n.Kg) && n.Kg >= 0 }

func (q CostPoint) drawn() bool {
	return finite(q.OutsideC) && finite(q.Kg) && finite(q.LowKg) && finite(q.HighKg)
}

// scales covers every night, the line and its band. Their ends are whole steps.
func (s *costSheet) scales() {
	cold, warm, most := math.Inf(1), math.Inf(-1), 0.0
	take := func(c, kg float64) {
		cold, warm, most = min(cold, s.c(c)), max(warm, s.c(c)), max(most, s.kg(kg))
	}
	for _, n := range s.p.Nights {
		if n.drawn() {
			take(n.OutsideC, n.Kg)
		}
	}
	for _, q := range s.p.Line {
		if q.drawn() {
			take(q.OutsideC, max(q.Kg, q.HighKg))
		}
	}
	if cold > warm {
		cold, warm = 0, 1
	}
	warm = max(warm, cold+1) // one night needs a scale as well
	if most == 0 {
		most = 1
	}
	s.stepX, s.stepY = planStep(warm-cold), planStep(most*1.6) // about five lines across
	s.cold = math.Floor(cold/s.stepX+1e-9) * s.stepX
	s.warm = math.Ceil(warm/s.stepX-1e-9) * s.stepX
	s.most = math.Ceil(most/s.stepY-1e-9) * s.stepY
	s.placeX, s.places = planDecimals(s.stepX), planDecimals(s.stepY)
}

func (s *costSheet) x(c float64) float64 {
	return costLeft + (s.c(c)-s.cold)/(s.warm-s.cold)*(costRight-costLeft)
}

func (s *costSheet) y(kg float64) float64 {
	return costBottom - s.kg(kg)/s.most*(costBottom-costTop)
}

func (s *costSheet) grid() {
	for i := 0; i <= int(math.Round(s.most/s.stepY)); i++ {
		v := float64(i) * s.stepY
		y := costBottom - v/s.most*(costBottom-costTop)
		class, stroke := "cost-grid", "#ccc"
		if i == 0 {
			class, stroke = "cost-base", "#222"
		}
		fmt.Fprintf(&s.b, `<line class="%s" x1="%s" y1="%s" x2="%s" y2="%s" stroke="%s"/><text class="cost-scale" x="%s" y="%s" text-anchor="end">%s</text>`,
			class, num(costLeft), num(y), num(costRight), num(y), stroke, num(costLeft-5), num(y+3), fixed(v, s.places))
	}
	for i := 0; i <= int(math.Round((s.warm-s.cold)/s.stepX)); i++ {
		v := s.cold + float64(i)*s.stepX
		x := costLeft + (v-s.cold)/(s.warm-s.cold)*(costRight-costLeft)
		fmt.Fprintf(&s.b, `<line class="cost-base" x1="%s" y1="%s" x2="%s" y2="%s" stroke="#222"/><text class="cost-scale" x="%s" y="%s" text-anchor="middle">%s</text>`,
			num(x), num(costBottom), num(x), num(costBottom+4), num(x), num(costBottom+15), fixed(v, s.placeX))
	}
}

func (s *costSheet) band() {
	var up, down []string
	for _, q := range s.p.Line {
		if q.drawn() {
			up = append(up, num(s.x(q.OutsideC))+","+num(s.y(q.HighKg)))
			down = append(down, num(s.x(q.OutsideC))+","+num(s.y(max(0, q.LowKg))))
		}
	}
	if len(up) < 2 {
		return
	}
	for i := len(down) - 1; i >= 0; i-- {
		up = append(up, down[i])
	}
	fmt.Fprintf(&s.b, `<polygon class="cost-band" fill="#e4e4e4" points="%s"/>`, strings.Join(up, " "))
}

func (s *costSheet) line() {
	var points []string
	for _, q := range s.p.Line {
		if q.drawn() {
			points = append(points, num(s.x(q.OutsideC))+","+num(s.y(max(0, q.Kg))))
		}
	}
	if len(points) < 2 {
		return
	}
	class, dashes := "cost-line", ""
	if s.p.Typical {
		class, dashes = "cost-line cost-typical", ` stroke-dasharray="6 4"`
	}
	fmt.Fprintf(&s.b, `<polyline class="%s" fill="none" stroke="#222" stroke-width="1.5"%s points="%s"/>`, class, dashes, strings.Join(points, " "))
}

func (s *costSheet) night(n CostNight) {
	if !n.drawn() {
		return
	}
	class, look, aside := "cost-night", `fill="#222"`, ""
	if n.Aside {
		class, look, aside = "cost-aside", `fill="none" stroke="#222"`, ", not counted"
	}
	said := s.p.Units.Number(n.Kg, Kg) + " at " + s.p.Units.Number(n.OutsideC, C) + aside
	if n.Label != "" {
		said = n.Label + ": " + said
	}
	fmt.Fprintf(&s.b, `<circle class="%s" cx="%s" cy="%s" r="3" %s><title>%s</title></circle>`,
		class, num(s.x(n.OutsideC)), num(s.y(n.Kg)), look, text(said))
}
