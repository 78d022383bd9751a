package show

import (
	"fmt"
	"math"
	"strings"
)

// NightPicture is one night, or a part of it, on one time axis: flames, burn and
// temperatures. Times are seconds from its left edge.
type NightPicture struct {
	Title  string
	Desc   string
	SpanS  float64
	Hours  []Mark // labels of the time axis, in order
	Burn   []Piece
	LowKg  []Piece // ends of the burn's interval, in kg/h
	HighKg []Piece
	Temps  []TempCurve
	Flames []Flame
	Alarms []Mark // labels tie them to the words beside the picture
	NowS   float64
	Units  Choice
}

// Mark is a moment of a night with its label.
type Mark struct {
	AtS   float64
	Label string
}

// Flame is a burner that was lit. Ends beyond the picture are cut.
type Flame struct {
	FromS, ToS float64
	Name       string
}

// TempCurve is one thermometer's night, in °C.
type TempCurve struct {
	Word   string
	Pieces []Piece
}

const (
	nightW      = 320.0 // as wide as the narrowest phone
	nightLeft   = 34.0  // room for the numbers of the scales
	nightRight  = 270.0 // and for the names of the curves
	alarmsTop   = 2.0
	alarmsH     = 18.0
	flamesH     = 16.0
	burnH       = 92.0
	tempsH      = 132.0
	nightGap    = 26.0 // room for the title of the next panel
	hoursH      = 22.0
	nameApart   = 13.0 // least distance of two curve names
	leastKgPerH = 0.1  // a scale of the burn holds at least this: noise about nothing is nothing
)

// NightColumns is how many stretches of time a night picture has room for: two units each.
const NightColumns = int((nightRight - nightLeft) / 2)

// Night draws flames as bars, burn as a line within two bands (the light one is what is not
// known, the dark one how it went up and down within a stretch), temperatures as lines that
// differ by stroke and carry their names, and alarms as numbered flags. Stretches without
// readings stay gaps.
func Night(p NightPicture) string {
	top := 0.0
	if len(p.Alarms) > 0 {
		top = alarmsTop + alarmsH
	}
	s := nightSheet{p: p}
	s.flames = top + 19 // under its title
	s.burn = s.flames + flamesH + nightGap
	s.temps = s.burn + burnH + nightGap
	s.bottom = s.temps + tempsH
	h := s.bottom + hoursH
	open(&s.b, "night", "xMidYMid meet", nightW, h, p.Title, p.Desc)
	s.hours()
	s.flameLane()
	s.burnPanel()
	s.tempPanel()
	s.marks()
	fmt.Fprintf(&s.b, `<path class="night-cross" d="M0 %sV%s"/></svg>`, num(s.flames), num(s.bottom))
	return strings.Replace(s.b.String(), "<svg ", fmt.Sprintf(`<svg data-left="%s" data-right="%s" `, num(nightLeft), num(nightRight)), 1)
}

// nightSheet is a picture being drawn.
type nightSheet struct {
	b                           strings.Builder
	p                           NightPicture
	flames, burn, temps, bottom float64
}

func (s *nightSheet) x(atS float64) float64 {
	if !(s.p.SpanS > 0) {
		return nightLeft
	}
	return nightLeft + min(1, max(0, atS/s.p.SpanS))*(nightRight-nightLeft)
}

func (s *nightSheet) inside(atS float64) bool { return atS >= 0 && atS <= s.p.SpanS }

func (s *nightSheet) title(y float64, words string) {
	fmt.Fprintf(&s.b, `<text class="night-title" x="%s" y="%s">%s</text>`, num(nightLeft), num(y-7), text(words))
}

func (s *nightSheet) hours() {
	for _, m := range s.p.Hours {
		if !s.inside(m.AtS) {
			continue
		}
		x := s.x(m.AtS)
		fmt.Fprintf(&s.b, `<path class="night-grid" d="M%s %sV%s"/><text class="night-hour" x="%s" y="%s" text-anchor="middle">%s</text>`,
			num(x), num(s.burn), num(s.bottom+4), num(x), num(s.bottom+17), text(m.Label))
	}
}

func (s *nightSheet) flameLane() {
	s.title(s.flames, "Flames")
	fmt.Fprintf(&s.b, `<path class="night-base" d="M%s %sH%s"/>`, num(nightLeft), num(s.flames+flamesH), num(nightRight))
	for _, f := range s.p.Flames {
		if !(f.ToS > 0 && f.FromS < s.p.SpanS && f.ToS >= f.FromS) { // none of it is seen, or an end is no number
			continue
		}
		from, to := s.x(f.FromS), s.x(f.ToS)
		fmt.Fprintf(&s.b, `<rect class="night-flame" x="%s" y="%s" width="%s" height="%s"><title>%s</title></rect>`,
			num(from), num(s.flames), num(max(1, to-from)), num(flamesH), text(f.Name))
	}
}

// burnPanel begins at nothing.
func (s *nightSheet) burnPanel() {
	s.title(s.burn, "Burn, "+s.p.Units.Word(KgPerH))
	in := func(v float64) float64 { v, _ = s.p.Units.convert(v, KgPerH); return v }
	most := leastKgPerH
	for _, list := range [][]Piece{s.p.Burn, s.p.HighKg} {
		for _, q := range list {
			if finite(q.Max) {
				most = max(most, q.Max)
			}
		}
	}
	step := planStep(in(most) * 2)
	ax := nightAxis{s.burn, burnH, 0, math.Ceil(in(most)/step-1e-9) * step, step}
	s.grid(ax)
	y := func(v float64) string { return num(ax.y(max(0, in(v)))) }
	lows, highs := s.runs(s.p.LowKg), s.runs(s.p.HighKg)
	for i := range min(len(lows), len(highs)) {
		if len(lows[i]) == len(highs[i]) { // else the two do not go together
			s.band("night-unsure", lows[i], highs[i], func(q Piece) string { return y(q.Mean) }, func(q Piece) string { return y(q.Mean) })
		}
	}
	for _, run := range s.runs(s.p.Burn) {
		s.band("night-spread", run, run, func(q Piece) string { return y(q.Min) }, func(q Piece) string { return y(q.Max) })
		s.line("night-burn", run, func(q Piece) string { return y(q.Mean) })
	}
}

// tempPanel has the freezing point where it lies within the scale.
func (s *nightSheet) tempPanel() {
	s.title(s.temps, "Temperatures, "+s.p.Units.Word(C))
	in := func(v float64) float64 { v, _ = s.p.Units.convert(v, C); return v }
	low, high := math.Inf(1), math.Inf(-1)
	for _, c := range s.p.Temps {
		l, h := bounds(s.runs(c.Pieces))
		low, high = min(low, l), max(high, h)
	}
	if low > high {
		low, high = -5, 5
	}
	low, high = in(low), in(high)
	if high-low < 4 {
		low, high = low-2, high+2
	}
	step := planStep(high - low)
	ax := nightAxis{s.temps, tempsH, math.Floor(low/step) * step, math.Ceil(high/step) * step, step}
	s.grid(ax)
	if f := in(0); f > ax.low && f < ax.high {
		fmt.Fprintf(&s.b, `<path class="night-freezing" d="M%s %sH%s"/>`, num(nightLeft), num(ax.y(f)), num(nightRight))
	}
	y := func(v float64) string { return num(ax.y(in(v))) }
	var names []nightName
	for i, c := range s.p.Temps {
		runs := s.runs(c.Pieces)
		for _, run := range runs {
			s.band("night-spread", run, run, func(q Piece) string { return y(q.Min) }, func(q Piece) string { return y(q.Max) })
			s.line(fmt.Sprintf("night-temp night-temp-%d", i%4), run, func(q Piece) string { return y(q.Mean) })
		}
		if n := len(runs); n > 0 {
			last := runs[n-1][len(runs[n-1])-1]
			names = append(names, nightName{c.Word, ax.y(in(last.Mean)), i})
		}
	}
	s.names(names)
}

// nightName is the name of a curve at its end.
type nightName struct {
	word string
	y    float64
	i    int
}

// names stand beside the ends of their curves, moved apart where those are close.
func (s *nightSheet) names(list []nightName) {
	for i := range list { // few enough to sort by insertion
		for k := i; k > 0 && list[k].y < list[k-1].y; k-- {
			list[k], list[k-1] = list[k-1], list[k]
		}
	}
	for i := range list {
		list[i].y = max(list[i].y, s.temps+5)
		if i > 0 {
			list[i].y = max(list[i].y, list[i-1].y+nameApart)
		}
	}
	floor := s.bottom - 1
	for i := len(list) - 1; i >= 0; i-- {
		list[i].y = min(list[i].y, floor)
		floor = list[i].y - nameApart
	}
	for _, n := range list {
		fmt.Fprintf(&s.b, `<text class="night-name night-name-%d" x="%s" y="%s">%s</text>`, n.i%4, num(nightRight+5), num(n.y+4), text(n.word))
	}
}

// marks are the alarms, and now.
func (s *nightSheet) marks() {
	for _, m := range s.p.Alarms {
		if !s.inside(m.AtS) {
			continue
		}
		x := s.x(m.AtS)
		fmt.Fprintf(&s.b, `<path class="night-alarm" d="M%s %sV%s"/><path class="night-flag" d="M%s %sh14v%sh-14z"/><text class="night-flag-word" x="%s" y="%s" text-anchor="middle">%s</text>`,
			num(x), num(alarmsTop+alarmsH-2), num(s.bottom), num(x), num(alarmsTop), num(alarmsH-2), num(x+7), num(alarmsTop+12), text(m.Label))
	}
	if finite(s.p.NowS) && s.inside(s.p.NowS) {
		x := s.x(s.p.NowS)
		fmt.Fprintf(&s.b, `<path class="night-now" d="M%s %sV%s"/><text class="night-hour" x="%s" y="%s" text-anchor="%s">now</text>`,
			num(x), num(s.flames), num(s.bottom), num(x), num(s.flames-3), map[bool]string{true: "end", false: "start"}[x > nightRight-30])
	}
}

func (s *nightSheet) grid(ax nightAxis) {
	for i := 0; i <= int(math.Round((ax.high-ax.low)/ax.step)); i++ {
		v := ax.low + float64(i)*ax.step
		class := "night-grid"
		if i == 0 {
			class = "night-base"
		}
		fmt.Fprintf(&s.b, `<path class="%s" d="M%s %sH%s"/><text class="night-scale" x="%s" y="%s" text-anchor="end">%s</text>`,
			class, num(nightLeft), num(ax.y(v)), num(nightRight), num(nightLeft-5), num(ax.y(v)+4), fixed(v, planDecimals(ax.step)))
	}
}

// nightAxis is the scale of one panel, in the unit shown.
type nightAxis struct{ top, h, low, high, step float64 }

func (a nightAxis) y(v float64) float64 {
	return a.top + a.h - min(1, max(0, (v-a.low)/(a.high-a.low)))*a.h
}

func (s *nightSheet) runs(list []Piece) [][]Piece {
	return TracePicture{SpanS: s.p.SpanS, Pieces: list}.runs()
}

// band is the area from the low ends of one run to the high ends of another of equal length.
func (s *nightSheet) band(class string, lows, highs []Piece, low, high func(Piece) string) {
	var up, down []string
	for i, q := range highs {
		from, to := num(s.x(q.FromS)), num(s.x(q.FromS+q.LengthS))
		up = append(up, from+","+high(q), to+","+high(q))
		down = append(down, from+","+low(lows[i]), to+","+low(lows[i]))
	}
	for i := len(down) - 1; i >= 0; i-- {
		up = append(up, down[i])
	}
	fmt.Fprintf(&s.b, `<polygon class="%s" points="%s"/>`, class, strings.Join(up, " "))
}

func (s *nightSheet) line(class string, run []Piece, y func(Piece) string) {
	points := make([]string, 0, len(run)+1)
	for _, q := range run {
		points = append(points, num(s.x(q.FromS+q.LengthS/2))+","+y(q))
	}
	if len(run) == 1 { // a line of one point is not drawn; a short stroke is
		q := run[0]
		points = []string{num(s.x(q.FromS)) + "," + y(q), num(s.x(q.FromS+q.LengthS)) + "," + y(q)}
	}
	fmt.Fprintf(&s.b, `<polyline class="%s" fill="none" points="%s"/>`, class, strings.Join(points, " "))
}
