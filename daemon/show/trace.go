package show

import (
	"fmt"
	"html"
	"math"
	"strconv"
	"strings"
)

// Pictures are complete svg elements: text as text, a title and a description for people
// who do not see them, no style attributes (the page's policy forbids them), no ids. Every
// part has a class; colours and widths are the style sheet's.

// Piece is one stretch of a series, on an axis in seconds that begins at the left edge of
// the picture.
type Piece struct {
	FromS, LengthS float64
	Min, Mean, Max float64
}

// TracePicture is a small picture of the last hours of one number.
type TracePicture struct {
	Title  string // what is shown, "Cabin, last six hours"
	Desc   string // what it says, "between 15.2 and 18.9 °C, no readings for 40 min"
	SpanS  float64
	Pieces []Piece // in order of time; a stretch without readings is left out
}

const (
	traceW, traceH = 240.0, 32.0
	traceEdge      = 2.0 // keeps the line's own width inside the picture
)

// Trace draws the mean as a line within a band from least to greatest. A stretch without
// readings stays a gap: neither line nor band crosses it. Without any readings, or with a
// span of nothing, the picture is an empty frame. Readings outside the span are left out.
func Trace(p TracePicture) string {
	var b strings.Builder
	open(&b, "trace", "none", traceW, traceH, p.Title, p.Desc)
	b.WriteString(`<line class="trace-base" x1="0" y1="31.5" x2="240" y2="31.5"/>`)
	runs := p.runs()
	low, high := bounds(runs)
	y := func(v float64) string {
		if high == low {
			return num(traceH / 2)
		}
		return num(traceH - traceEdge - (v-low)/(high-low)*(traceH-2*traceEdge))
	}
	x := func(s float64) string { return num(s / p.SpanS * traceW) }
	for _, run := range runs {
		var line, up, down []string
		for _, q := range run {
			from, to := x(max(0, q.FromS)), x(min(p.SpanS, q.FromS+q.LengthS))
			up = append(up, from+","+y(q.Max), to+","+y(q.Max))
			down = append(down, from+","+y(q.Min), to+","+y(q.Min))
			line = append(line, x(min(max(0, q.FromS+q.LengthS/2), p.SpanS))+","+y(q.Mean))
		}
		for i := len(down) - 1; i >= 0; i-- {
			up = append(up, down[i])
		}
		fmt.Fprintf(&b, `<polygon class="trace-band" points="%s"/>`, strings.Join(up, " "))
		if len(line) == 1 { // a line of one point is not drawn; a short stroke is
			q := run[0]
			line = []string{x(max(0, q.FromS)) + "," + y(q.Mean), x(min(p.SpanS, q.FromS+q.LengthS)) + "," + y(q.Mean)}
		}
		fmt.Fprintf(&b, `<polyline class="trace-line" fill="none" vector-effect="non-scaling-stroke" points="%s"/>`, strings.Join(line, " "))
	}
	b.WriteString(`</svg>`)
	return b.String()
}

// runs groups the pieces that follow each other without a gap. Half a piece of slack keeps
// a late tick from tearing the line.
func (p TracePicture) runs() [][]Piece {
	if !(p.SpanS > 0) {
		return nil
	}
	var out [][]Piece
	endS, lengthS := math.Inf(-1), 0.0
	for _, q := range p.Pieces {
		bad := !finite(q.FromS) || !finite(q.Min) || !finite(q.Mean) || !finite(q.Max) || !(q.LengthS > 0)
		if bad || q.FromS+q.LengthS <= 0 || q.FromS >= p.SpanS {
			continue
		}
		if q.FromS-endS > max(lengthS, q.LengthS)/2 {
			out = append(out, nil)
		}
		out[len(out)-1] = append(out[len(out)-1], q)
		endS, lengthS = q.FromS+q.LengthS, q.LengthS
	}
	return out
}

func bounds(runs [][]Piece) (low, high float64) {
	low, high = math.Inf(1), math.Inf(-1)
	for _, run := range runs {
		for _, q := range run {
			low, high = min(low, q.Min), max(high, q.Max)
		}
	}
	return low, high
}

// open begins an svg; fit says how it fills another shape. Title and description are said twice, as elements and as a label,
// because not every reader takes the elements of an inline picture.
func open(b *strings.Builder, class, fit string, w, h float64, title, desc string) {
	label := title
	if desc != "" {
		label += ": " + desc
	}
	fmt.Fprintf(b, `<svg class="%s" viewBox="0 0 %s %s" role="img" aria-label="%s" preserveAspectRatio="%s"><title>%s</title><desc>%s</desc>`,
		class, num(w), num(h), text(label), fit, text(title), text(desc))
}

// text escapes for element content and attributes, and drops what no XML may hold.
func text(s string) string {
	s = strings.Map(func(r rune) rune {
		if r < ' ' && r != '\t' && r != '\n' || r == 0xFFFE || r == 0xFFFF {
			return -1
		}
		return r
	}, strings.ToValidUTF8(s, "�"))
	return html.EscapeString(s)
}

// num is a coordinate: two decimals at most, and never "-0".
func num(v float64) string {
	v = math.Round(v*100) / 100
	if v == 0 {
		return "0"
	}
	return strconv.FormatFloat(v, 'f', -1, 64)
}
