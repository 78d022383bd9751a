package score

import (
	"fmt"
	"html"
	"math"
	"strconv"
	"strings"
	"time"
)

const (
	plotW, plotLeft, plotRight = 720.0, 44.0, 712.0
	fuelTop, fuelBottom        = 22.0, 220.0 // the upper picture: fuel
	offTop, offBottom          = 260.0, 400.0
	plotH                      = 436.0
	plotPoints                 = 700 // about one for each unit of width
)

// plotPoint is one moment of a picture; NaN is unknown.
type plotPoint struct {
	h                    float64 // since the recording began
	est, low, high, true float64 // kg
}

// Plot draws a recording as one svg element: above, the fuel estimate in its 95 % interval
// and the true fuel; below, the interval and the estimate as what they differ from the truth.
// A line breaks where there is no cylinder or no estimate. Strokes and fills are attributes,
// which a style sheet may overrule; estimate and truth differ by width and dashes, not by hue.
func Plot(r *Recording) string {
	p := plot{points: r.plotPoints()}
	if len(p.points) == 0 {
		return ""
	}
	p.spanH = max(p.points[len(p.points)-1].h, 1)
	title := fmt.Sprintf("Fuel in the van %q", r.Van.Name)
	desc := "the estimate with its 95 % interval, and the truth; below, what they differ by"
	fmt.Fprintf(&p.b, `<svg xmlns="http://www.w3.org/2000/svg" class="score" viewBox="0 0 %s %s" role="img" aria-label="%s"><title>%s</title><desc>%s</desc>`,
		coord(plotW), coord(plotH), html.EscapeString(title+": "+desc), html.EscapeString(title), html.EscapeString(desc))
	p.b.WriteString(`<rect width="100%" height="100%" fill="#fff"/><g font-family="sans-serif" font-size="11" fill="#222">`)
	most := 0.0
	least, greatest := -100.0, 100.0
	for _, q := range p.points {
		most = atMost(most, q.high, q.true)
		greatest = atMost(greatest, 1000*(q.high-q.true))
		least = -atMost(-least, 1000*(q.true-q.low))
	}
	p.panel(panel{fuelTop, fuelBottom, 0, most, 1}, "kg of fuel: band and broad line estimated, dashes true", func(q plotPoint) (float64, float64, float64, float64) {
		return q.low, q.high, q.est, q.true
	})
	p.panel(panel{offTop, offBottom, least, greatest, 100}, "g by which the estimate and its interval differ from the truth", func(q plotPoint) (float64, float64, float64, float64) {
		zero := q.true - q.true // NaN where the truth is
		return 1000 * (q.low - q.true), 1000 * (q.high - q.true), 1000 * (q.est - q.true), zero
	})
	p.hours()
	p.b.WriteString(`</g></svg>`)
	return p.b.String()
}

func atMost(most float64, values ...float64) float64 {
	for _, v := range values {
		if !math.IsNaN(v) {
			most = max(most, v)
		}
	}
	return most
}

func (r *Recording) plotPoints() []plotPoint {
	var out []plotPoint
	step := max(1, len(r.Minutes)/plotPoints)
	k := 0
	for i := step - 1; i < len(r.Minutes); i += step {
		m := r.Minutes[i]
		for k+1 < len(r.Rows) && !r.Rows[k+1].At.After(m.At) {
			k++
		}
		q := plotPoint{h: m.At.Sub(r.Van.Start).Hours(), est: math.NaN(), low: math.NaN(), high: math.NaN(), true: math.NaN()}
		if m.Present {
			q.true = m.FuelKg
			if age := m.At.Sub(r.Rows[k].At); age >= 0 && age < time.Minute {
				q.est, q.low, q.high = r.Rows[k].FuelKg, r.Rows[k].FuelLowKg, r.Rows[k].FuelHighKg
			}
		}
		out = append(out, q)
	}
	return out
}

// plot is a picture being drawn.
type plot struct {
	b      strings.Builder
	points []plotPoint
	spanH  float64
}

func (p *plot) x(h float64) float64 { return plotLeft + h/p.spanH*(plotRight-plotLeft) }

// panel is where on the picture values lie, and the distance of its lines at the finest.
type panel struct{ top, bottom, low, high, step float64 }

func (l *panel) y(v float64) float64 { return l.bottom - (v-l.low)/(l.high-l.low)*(l.bottom-l.top) }

func (p *plot) panel(l panel, word string, of func(plotPoint) (low, high, est, truth float64)) {
	for (l.high-l.low)/l.step > 8 {
		l.step *= 2
	}
	l.low, l.high = math.Floor(l.low/l.step)*l.step, math.Ceil(l.high/l.step)*l.step
	fmt.Fprintf(&p.b, `<text class="score-word" x="0" y="%s">%s</text>`, coord(l.top-9), html.EscapeString(word))
	var band [][2]string
	flush := func() {
		if len(band) > 1 {
			p.b.WriteString(`<polygon class="score-band" fill="#e4e4e4" points="`)
			for _, e := range band {
				p.b.WriteString(e[0] + " ")
			}
			for i := len(band) - 1; i >= 0; i-- {
				p.b.WriteString(band[i][1] + " ")
			}
			p.b.WriteString(`"/>`)
		}
		band = band[:0]
	}
	for _, q := range p.points {
		low, high, _, _ := of(q)
		if math.IsNaN(low) || math.IsNaN(high) {
			flush()
			continue
		}
		x := coord(p.x(q.h))
		band = append(band, [2]string{x + "," + coord(l.y(high)), x + "," + coord(l.y(low))})
	}
	flush()
	for i := 0; i <= int(math.Round((l.high-l.low)/l.step)); i++ {
		v := l.low + float64(i)*l.step
		y := l.y(v)
		fmt.Fprintf(&p.b, `<line class="score-grid" x1="%s" y1="%s" x2="%s" y2="%s" stroke="#ccc"/><text class="score-scale" x="%s" y="%s" text-anchor="end">%s</text>`,
			coord(plotLeft), coord(y), coord(plotRight), coord(y), coord(plotLeft-5), coord(y+4), coord(v))
	}
	p.line(`class="score-estimate" stroke="#888" stroke-width="3"`, func(q plotPoint) float64 { _, _, v, _ := of(q); return v }, l)
	p.line(`class="score-truth" stroke="#222" stroke-width="1.2" stroke-dasharray="6 4"`, func(q plotPoint) float64 { _, _, _, v := of(q); return v }, l)
}

func (p *plot) line(look string, of func(plotPoint) float64, l panel) {
	var points []string
	flush := func() {
		if len(points) > 1 {
			fmt.Fprintf(&p.b, `<polyline %s fill="none" points="%s"/>`, look, strings.Join(points, " "))
		}
		points = points[:0]
	}
	for _, q := range p.points {
		if v := of(q); math.IsNaN(v) {
			flush()
		} else {
			points = append(points, coord(p.x(q.h))+","+coord(l.y(v)))
		}
	}
	flush()
}

// hours is the scale of time below both pictures.
func (p *plot) hours() {
	step := 3.0
	for p.spanH/step > 12 {
		step *= 2
	}
	for h := 0.0; h <= p.spanH; h += step {
		fmt.Fprintf(&p.b, `<line class="score-base" x1="%s" y1="%s" x2="%s" y2="%s" stroke="#222"/><text class="score-scale" x="%s" y="%s" text-anchor="middle">%s</text>`,
			coord(p.x(h)), coord(offBottom), coord(p.x(h)), coord(offBottom+4), coord(p.x(h)), coord(offBottom+17), coord(h))
	}
	fmt.Fprintf(&p.b, `<text class="score-word" x="%s" y="%s" text-anchor="end">hours</text>`, coord(plotRight), coord(plotH-4))
}

// coord is a number with two decimals at most, and never "-0".
func coord(v float64) string {
	v = math.Round(v*100) / 100
	if v == 0 {
		return "0"
	}
	return strconv.FormatFloat(v, 'f', -1, 64)
}
