package show

import (
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// element is one element of a picture.
type element struct {
	name  string
	attr  map[string]string
	chars string
}

// parse reads a picture as XML and holds what every picture must hold: one svg with role,
// label, title and description, nothing the page's policy forbids, no number that is none.
func parse(t interface{ Fatalf(string, ...any) }, svg string) []element {
	var out []element
	var stack []int
	d := xml.NewDecoder(strings.NewReader(svg))
	for {
		tok, err := d.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatalf("not XML: %v in %.200s", err, svg)
		}
		switch x := tok.(type) {
		case xml.StartElement:
			e := element{name: x.Name.Local, attr: map[string]string{}}
			for _, a := range x.Attr {
				e.attr[a.Name.Local] = a.Value
				if a.Name.Local == "style" || a.Name.Local == "id" || strings.HasPrefix(a.Name.Local, "on") {
					t.Fatalf("attribute %s in a picture", a.Name.Local)
				}
				if strings.Contains(a.Value, "NaN") || strings.Contains(a.Value, "Inf") || strings.Contains(a.Value, "e+") {
					t.Fatalf("attribute %s is %q", a.Name.Local, a.Value)
				}
			}
			stack = append(stack, len(out))
			out = append(out, e)
		case xml.EndElement:
			stack = stack[:len(stack)-1]
		case xml.CharData:
			if len(stack) > 0 {
				out[stack[len(stack)-1]].chars += string(x)
			}
		}
	}
	if len(out) < 3 || out[0].name != "svg" || out[0].attr["role"] != "img" && out[0].attr["role"] != "group" || out[0].attr["aria-label"] == "" || out[1].name != "title" || out[2].name != "desc" {
		t.Fatalf("a picture without role, label, title or description: %.200s", svg)
	}
	return out
}

func classed(all []element, class string) (out []element) {
	for _, e := range all {
		for _, c := range strings.Fields(e.attr["class"]) {
			if c == class {
				out = append(out, e)
			}
		}
	}
	return out
}

func number(t interface{ Fatalf(string, ...any) }, e element, attr string) float64 {
	v, err := strconv.ParseFloat(e.attr[attr], 64)
	if err != nil {
		t.Fatalf("%s of %s is %q", attr, e.name, e.attr[attr])
	}
	return v
}

func pieces(from, to, step float64) (out []Piece) {
	for at := from; at < to; at += step {
		out = append(out, Piece{at, step, at - 1, at, at + 1})
	}
	return out
}

func TestAGapInATraceStaysAGap(t *testing.T) {
	p := TracePicture{Title: "Cabin", Desc: "a gap of an hour", SpanS: 21600}
	p.Pieces = append(pieces(0, 7200, 60), pieces(10800, 21600, 60)...)
	all := parse(t, Trace(p))
	lines := classed(all, "trace-line")
	if len(lines) != 2 || len(classed(all, "trace-band")) != 2 {
		t.Fatalf("%d lines and %d bands around one gap, want two each", len(lines), len(classed(all, "trace-band")))
	}
	first := strings.Fields(lines[0].attr["points"])
	if got := first[len(first)-1]; !strings.HasPrefix(got, "79.67,") { // middle of the last minute before 2 h of 6 h on 240
		t.Errorf("the line before the gap ends at %s, want x 79.67", got)
	}
	second := strings.Fields(lines[1].attr["points"])
	if !strings.HasPrefix(second[0], "120.33,") {
		t.Errorf("the line behind the gap begins at %s, want x 120.33", second[0])
	}
}

func TestALateTickDoesNotTearATrace(t *testing.T) {
	p := TracePicture{SpanS: 600, Title: "x", Pieces: []Piece{{0, 60, 1, 1, 1}, {80, 60, 1, 2, 3}, {140, 60, 1, 1, 2}}}
	if got := len(classed(parse(t, Trace(p)), "trace-line")); got != 1 {
		t.Errorf("%d lines, want one", got)
	}
}

func TestATraceRisesWithItsNumber(t *testing.T) {
	p := TracePicture{SpanS: 180, Title: "x", Pieces: []Piece{{0, 60, -5, -4, -3}, {60, 60, 0, 1, 2}, {120, 60, 4, 5, 6}}}
	pts := strings.Fields(classed(parse(t, Trace(p)), "trace-line")[0].attr["points"])
	last := math.Inf(1)
	for _, pt := range pts {
		_, ys, _ := strings.Cut(pt, ",")
		y, err := strconv.ParseFloat(ys, 64)
		if err != nil || y >= last || y < 0 || y > traceH {
			t.Errorf("points %v do not rise within the picture", pts)
		}
		last = y
	}
}

func TestATraceWithoutReadingsIsAnEmptyFrame(t *testing.T) {
	for name, p := range map[string]TracePicture{
		"no pieces":           {Title: "x", SpanS: 100},
		"no span":             {Title: "x", Pieces: pieces(0, 100, 10)},
		"pieces of no number": {Title: "x", SpanS: 100, Pieces: []Piece{{0, 10, math.NaN(), 1, 2}, {20, 10, 1, math.Inf(1), 2}, {40, 0, 1, 1, 1}}},
		"outside the span":    {Title: "x", SpanS: 100, Pieces: []Piece{{-50, 10, 1, 1, 1}, {100, 10, 1, 1, 1}}},
	} {
		all := parse(t, Trace(p))
		if n := len(classed(all, "trace-line")) + len(classed(all, "trace-band")); n != 0 {
			t.Errorf("%s: %d lines and bands, want none", name, n)
		}
	}
}

func TestTextInPicturesIsEscaped(t *testing.T) {
	nasty := "a<b>&\"'\x00\xff</title><script>"
	for _, svg := range []string{
		Trace(TracePicture{Title: nasty, Desc: nasty, SpanS: 10}),
		wholeStrip(NightsPicture{Title: nasty, Desc: nasty, Past: []NightBar{{nasty, 1, 2, nasty}}, Tonight: NightBar{nasty, 1, 2, ""}, LeftLow: 1, Left: 2, LeftHigh: 3}),
	} {
		all := parse(t, svg)
		if want := "a<b>&\"'\ufffd</title><script>"; all[1].chars != want {
			t.Errorf("title reads %q, want %q", all[1].chars, want)
		}
		for _, e := range all {
			if e.name == "script" {
				t.Errorf("a script got into %.200s", svg)
			}
		}
	}
}

func week() NightsPicture {
	nan := math.NaN()
	p := NightsPicture{Title: "Nights", Desc: "six past", Tonight: NightBar{Label: "Wed", Kg: 1, LowC: -7}, LeftLow: 2.2, Left: 3.1, LeftHigh: 4.5}
	for i, kg := range []float64{0.5, 1, 2, nan, 1.5, 0} {
		p.Past = append(p.Past, NightBar{Label: fmt.Sprint(i), Kg: kg, LowC: float64(-i)})
	}
	return p
}

// wholeStrip is both parts of a strip under one root.
func wholeStrip(p NightsPicture) string {
	past, ahead := StripOfNights(p)
	return strings.TrimSuffix(past, "</svg>") + ahead + "</svg>"
}

func TestTheStripOfNights(t *testing.T) {
	all := parse(t, wholeStrip(week()))
	past := classed(all, "nights-past")
	if len(past) != 5 {
		t.Fatalf("%d bars for five known nights", len(past))
	}
	if a, b := number(t, past[0], "height"), number(t, past[2], "height"); b != barLong || math.Abs(a-barLong/4) > 0.01 {
		t.Errorf("0.5 kg and 2 kg hang %v and %v long, want %v and %v", a, b, barLong/4, barLong)
	}
	for _, e := range past {
		if number(t, e, "y") != stripTop {
			t.Errorf("a bar hangs from %s, the line is at %v", e.attr["y"], stripTop)
		}
	}
	if n := len(classed(all, "nights-blank")); n != 1 {
		t.Errorf("%d marks for one night without a number", n)
	}
	left, unsure := classed(all, "nights-left"), classed(all, "nights-unsure")
	if len(left) != 5 || len(unsure) != 3 {
		t.Errorf("up to 4.5 nights, 2.2 of them sure: %d outlined and %d unsure, want 5 and 3", len(left), len(unsure))
	}
	if a, b := number(t, left[0], "height"), number(t, left[4], "height"); math.Abs(b-a/2) > 0.01 {
		t.Errorf("half a night hangs %v long, a whole one %v", b, a)
	}
	if n := len(classed(all, "nights-hatch")); n != 3 {
		t.Errorf("%d hatched bars, want three", n)
	}
	if n := len(classed(all, "nights-low")); n != 7 {
		t.Errorf("%d lows, want six past and tonight", n)
	}
	var said []string
	for _, e := range classed(all, "nights-kg") {
		said = append(said, e.chars)
	}
	if got := strings.Join(said, " "); got != "0.50 1.0 2.0 ? 1.5 0.00 1.0" {
		t.Errorf("under the bars stands %q", got)
	}
	if c := classed(all, "nights-c"); len(c) != 7 || c[6].chars != "-7.0" {
		t.Errorf("the lows are said as %+v", c)
	}
	if n := len(classed(all, "nights-now")); n != 1 {
		t.Errorf("tonight is marked %d times", n)
	}
}

func TestAColderNightHasALowerDot(t *testing.T) {
	dots := classed(parse(t, wholeStrip(week())), "nights-low")
	last := 0.0
	for _, e := range dots {
		y := number(t, e, "cy")
		if y <= last || y > dotsBottom {
			t.Errorf("dot at %v after %v: colder must lie lower, within %v", y, last, dotsBottom)
		}
		last = y
	}
}

func TestAStripOfAnUnknownCylinderDrawsNoNightsAhead(t *testing.T) {
	p := week()
	p.LeftLow = math.NaN()
	all := parse(t, wholeStrip(p))
	if n := len(classed(all, "nights-left")); n != 0 {
		t.Errorf("%d nights drawn ahead of an unknown cylinder", n)
	}
	if c := classed(all, "nights-unknown"); len(c) != 1 || c[0].chars != "?" {
		t.Errorf("in their place stands %+v, want a question mark", c)
	}
}

func TestManyNightsAheadAreCountedNotDrawn(t *testing.T) {
	p := week()
	p.LeftLow, p.Left, p.LeftHigh = 18, 20.5, 24
	all := parse(t, wholeStrip(p))
	if n := len(classed(all, "nights-left")); n != mostLeft {
		t.Errorf("%d nights drawn, want %d", n, mostLeft)
	}
	if len(classed(all, "nights-more")) != 1 {
		t.Errorf("the strip does not say that there are more than it draws")
	}
}

func TestANightWithATargetIsALinkForAThumb(t *testing.T) {
	p := week()
	for i := range p.Past {
		p.Past[i].Target = fmt.Sprintf("/night/%d", i)
	}
	past, ahead := StripOfNights(p)
	all := parse(t, past)
	links, targets := classed(all, "nights-open"), classed(all, "nights-target")
	if len(links) != 6 || len(targets) != 6 {
		t.Fatalf("%d links with %d targets for six nights", len(links), len(targets))
	}
	if links[3].attr["href"] != "/night/3" || links[3].attr["aria-label"] != "3: burned unknown, low -3.0 °C" {
		t.Errorf("the fourth link is %v", links[3].attr)
	}
	for i, e := range targets {
		if number(t, e, "width") < 48 || number(t, e, "height") < 48 || number(t, e, "x") != 48*float64(i) {
			t.Errorf("target %d is %s by %s at %s", i, e.attr["width"], e.attr["height"], e.attr["x"])
		}
	}
	if strings.Contains(ahead, "nights-open") || strings.Contains(past, `role="img"`) {
		t.Error("a picture with links is no image, and a night without a target no link")
	}
}

func TestHatchingStaysInItsBar(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		p := week()
		p.LeftLow = rapid.Float64Range(0, 3).Draw(rt, "low")
		p.LeftHigh = p.LeftLow + rapid.Float64Range(0, 5).Draw(rt, "more")
		p.Left = (p.LeftLow + p.LeftHigh) / 2
		all := parse(rt, wholeStrip(p))
		var bar element
		for _, e := range all {
			if strings.Contains(e.attr["class"], "nights-left") {
				bar = e
			}
			if e.attr["class"] != "nights-hatch" {
				continue
			}
			x, y := number(t, bar, "x"), number(t, bar, "y")
			w, h := number(t, bar, "width"), number(t, bar, "height")
			for _, pt := range strings.FieldsFunc(e.attr["d"], func(r rune) bool { return r == 'M' || r == 'L' }) {
				var px, py float64
				if _, err := fmt.Sscan(pt, &px, &py); err != nil || px < x-0.02 || px > x+w+0.02 || py < y-0.02 || py > y+h+0.02 {
					rt.Fatalf("hatch at %q (%v) outside the bar x %v y %v w %v h %v", pt, err, x, y, w, h)
				}
			}
		}
	})
}
