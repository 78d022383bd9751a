package show

import (
	"fmt"
	"math"
	"strings"
)

// PlanPoint is the state of a planned draw at one time. NaN is unknown and leaves a gap.
type PlanPoint struct {
	AfterH   float64
	AirC     float64 // drawn for the likely run alone
	LiquidC  float64
	GaugeKPa float64
	FuelKg   float64
}

// PlanLine is one run of a plan.
type PlanLine struct {
	Label  string // what is assumed, "8.5 W/(m² K)"
	Points []PlanPoint
}

// PlanPicture is how liquid temperature, gauge pressure and fuel go, on one time axis.
type PlanPicture struct {
	Title         string
	Desc          string     // what it says, in a sentence
	Lines         []PlanLine // the likely run first, the others are drawn dashed
	LimitGaugeKPa float64    // what the regulator needs
	Units         Choice
}

const (
	planW      = 640.0
	planLeft   = 56.0  // room for the numbers of the scale
	planRight  = 626.0 // the time axis ends here
	planTop    = 34.0
	panelH     = 112.0
	panelGap   = 34.0 // room for the title of the next panel
	planBottom = 44.0
	mostTicks  = 8
)

// PlanSVG draws three panels over each other: the liquid's temperature with that of the air,
// the gauge pressure with the limit as a line across, and the fuel. It is a file of its own:
// strokes and fills are attributes, which a style sheet may overrule, and lines differ by
// stroke and word, not by colour. Runs that end early end where they end. Without a point to
// draw, a panel is an empty frame.
func PlanSVG(p PlanPicture) string {
	h := planTop + 3*panelH + 2*panelGap + planBottom
	s := planSheet{p: p, spanH: p.spanH()}
	open(&s.b, "plan", "xMidYMid meet", planW, h, p.Title, p.Desc)
	fmt.Fprintf(&s.b, `<rect class="plan-paper" width="%s" height="%s" fill="#fff"/><g font-family="sans-serif" font-size="12" fill="#222">`, num(planW), num(h))
	s.panel(0, "Liquid, and the air dotted", C, math.NaN(), func(q PlanPoint) float64 { return q.LiquidC })
	s.panel(1, "Gauge pressure, and the least that the regulator needs", KPa, p.LimitGaugeKPa, func(q PlanPoint) float64 { return q.GaugeKPa })
	s.panel(2, "Fuel", Kg, math.NaN(), func(q PlanPoint) float64 { return q.FuelKg })
	s.hours(h)
	s.b.WriteString(`</g></svg>`)
	return strings.Replace(s.b.String(), "<svg ", `<svg xmlns="http://www.w3.org/2000/svg" `, 1)
}

// spanH is the time of the last point, and never nothing.
func (p PlanPicture) spanH() float64 {
	most := 0.0
	for _, l := range p.Lines {
		for _, q := range l.Points {
			if finite(q.AfterH) {
				most = max(most, q.AfterH)
			}
		}
	}
	if most == 0 {
		return 1
	}
	return most
}

// planSheet is a picture being drawn.
type planSheet struct {
	b     strings.Builder
	p     PlanPicture
	spanH float64
}

func (s *planSheet) x(h float64) float64 { return planLeft + h/s.spanH*(planRight-planLeft) }

// panel draws one quantity of every run, in the chosen unit.
func (s *planSheet) panel(row int, title string, u Unit, limit float64, of func(PlanPoint) float64) {
	top := planTop + float64(row)*(panelH+panelGap)
	in := func(v float64) float64 { v, _ = s.p.Units.convert(v, u); return v }
	limit = in(limit)
	ax := s.axis(top, u, limit, func(q PlanPoint) float64 { return in(of(q)) }, in)
	fmt.Fprintf(&s.b, `<text class="plan-title" x="%s" y="%s">%s, %s</text>`, num(planLeft), num(top-8), text(title), text(s.p.Units.Word(u)))
	fmt.Fprintf(&s.b, `<rect class="plan-frame" x="%s" y="%s" width="%s" height="%s" fill="none" stroke="#999"/>`,
		num(planLeft), num(top), num(planRight-planLeft), num(panelH))
	for _, v := range ax.ticks() {
		fmt.Fprintf(&s.b, `<line class="plan-grid" x1="%s" y1="%s" x2="%s" y2="%s" stroke="#ddd"/><text class="plan-scale" x="%s" y="%s" text-anchor="end">%s</text>`,
			num(planLeft), num(ax.y(v)), num(planRight), num(ax.y(v)), num(planLeft-6), num(ax.y(v)+4), fixed(v, ax.decimals()))
	}
	if finite(limit) {
		fmt.Fprintf(&s.b, `<line class="plan-limit" x1="%s" y1="%s" x2="%s" y2="%s" stroke="#222" stroke-width="2.5" stroke-dasharray="10 4"/>`,
			num(planLeft), num(ax.y(limit)), num(planRight), num(ax.y(limit)))
		wordY := ax.y(limit) + 14 // below it, where runs that end there do not go
		if wordY > top+panelH-2 {
			wordY = ax.y(limit) - 5
		}
		fmt.Fprintf(&s.b, `<text class="plan-limit-word" x="%s" y="%s">%s</text>`,
			num(planLeft+6), num(wordY), text("limit "+s.p.Units.Number(s.p.LimitGaugeKPa, u)))
	}
	if u == C && len(s.p.Lines) > 0 {
		s.line("plan-air", `stroke="#222" stroke-width="1" stroke-dasharray="1 3"`, s.p.Lines[0], func(q PlanPoint) float64 { return in(q.AirC) }, ax)
	}
	for i := len(s.p.Lines) - 1; i >= 0; i-- { // the likely one on top
		class, stroke := "plan-bound", `stroke="#666" stroke-width="1.2" stroke-dasharray="5 3"`
		if i == 0 {
			class, stroke = "plan-likely", `stroke="#222" stroke-width="2"`
		}
		s.line(class, stroke, s.p.Lines[i], func(q PlanPoint) float64 { return in(of(q)) }, ax)
	}
}

// line draws a run, torn where a point is unknown, with its assumption for a pointer that
// rests on it and a dot at its end.
func (s *planSheet) line(class, stroke string, l PlanLine, of func(PlanPoint) float64, ax planAxis) {
	var d strings.Builder
	pen, lastX, lastY := "M", math.NaN(), 0.0
	for _, q := range l.Points {
		v := of(q)
		if !finite(v) || !finite(q.AfterH) || q.AfterH < 0 {
			pen = "M"
			continue
		}
		lastX, lastY = s.x(q.AfterH), ax.y(v)
		fmt.Fprintf(&d, "%s%s %s", pen, num(lastX), num(lastY))
		pen = "L"
	}
	if d.Len() == 0 {
		return
	}
	fmt.Fprintf(&s.b, `<path class="%s" fill="none" %s d="%s"><title>%s</title></path>`, class, stroke, d.String(), text(l.Label))
	if class != "plan-air" {
		fmt.Fprintf(&s.b, `<circle class="plan-end" cx="%s" cy="%s" r="3"/>`, num(lastX), num(lastY))
	}
}

// hours draws the time axis and, under it, which stroke is which run.
func (s *planSheet) hours(h float64) {
	bottom := h - planBottom
	every, word, per := planStep(s.spanH), "h", 1.0
	if s.spanH > 72 {
		every, word, per = planStep(s.spanH/24), "days", 24
	}
	for i := 0; ; i++ {
		v := float64(i) * every
		if v*per > s.spanH*(1+1e-9) {
			break
		}
		x := s.x(v * per)
		fmt.Fprintf(&s.b, `<line class="plan-tick" x1="%s" y1="%s" x2="%s" y2="%s" stroke="#999"/><text class="plan-hour" x="%s" y="%s" text-anchor="middle">%s</text>`,
			num(x), num(bottom), num(x), num(bottom+5), num(x), num(bottom+18), fixed(v, planDecimals(every)))
	}
	legend := word
	if len(s.p.Lines) > 0 {
		legend += "; solid: " + s.p.Lines[0].Label
	}
	for i, l := range s.p.Lines[min(1, len(s.p.Lines)):] {
		legend += [...]string{"; dashed: ", " and "}[min(i, 1)] + l.Label
	}
	fmt.Fprintf(&s.b, `<text class="plan-legend" x="%s" y="%s">%s</text>`, num(planLeft), num(bottom+36), text(legend))
}

// planAxis is the scale of one panel, in the unit shown.
type planAxis struct{ top, low, high, step float64 }

// axis covers every run, the limit and, for temperatures, the air. Fuel and pressure begin
// at nothing.
func (s *planSheet) axis(top float64, u Unit, limit float64, of func(PlanPoint) float64, in func(float64) float64) planAxis {
	low, high := math.Inf(1), math.Inf(-1)
	take := func(v float64) {
		if finite(v) {
			low, high = min(low, v), max(high, v)
		}
	}
	for i, l := range s.p.Lines {
		for _, q := range l.Points {
			take(of(q))
			if u == C && i == 0 {
				take(in(q.AirC))
			}
		}
	}
	take(limit)
	if u != C {
		take(0)
	}
	if low > high {
		low, high = 0, 1
	}
	if high-low < 1 { // a level line needs a scale as well
		high = low + 1
	}
	step := planStep((high - low) * 1.6) // about five lines in a panel
	return planAxis{top, math.Floor(low/step+1e-9) * step, math.Ceil(high/step-1e-9) * step, step}
}

func (a planAxis) y(v float64) float64 {
	return a.top + panelH - (v-a.low)/(a.high-a.low)*panelH
}

func (a planAxis) ticks() (out []float64) {
	for i := 0; i <= int(math.Round((a.high-a.low)/a.step)); i++ {
		out = append(out, a.low+float64(i)*a.step)
	}
	return out
}

func (a planAxis) decimals() int { return planDecimals(a.step) }

// planStep is 1, 2 or 5 times a power of ten, so that a span has at most mostTicks of them.
func planStep(span float64) float64 {
	step := math.Pow10(int(math.Floor(math.Log10(span / mostTicks))))
	for _, f := range [...]float64{1, 2, 5} {
		if span/(f*step) <= mostTicks {
			return f * step
		}
	}
	return 10 * step
}

func planDecimals(step float64) int {
	return max(0, -int(math.Floor(math.Log10(step)+1e-9)))
}
