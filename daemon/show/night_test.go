package show

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// coldNight is fourteen hours with an hour without readings.
func coldNight() NightPicture {
	p := NightPicture{Title: "Night", Desc: "cold", SpanS: 14 * 3600, Hours: []Mark{{0, "18:00"}, {6 * 3600, "00:00"}, {99 * 3600, "never"}},
		Flames: []Flame{{-600, 1800, "heater"}, {7200, 9000, "heater"}, {50 * 3600, 51 * 3600, "cooktop"}}, Alarms: []Mark{{3600, "1"}}, NowS: math.NaN()}
	for i := range 84 {
		if i >= 40 && i < 46 {
			continue
		}
		at := float64(i) * 600
		p.Burn = append(p.Burn, Piece{at, 600, 0, 0.1, 0.17})
		p.LowKg, p.HighKg = append(p.LowKg, Piece{at, 600, 0.08, 0.09, 0.1}), append(p.HighKg, Piece{at, 600, 0.11, 0.12, 0.2})
	}
	p.Temps = []TempCurve{{"outside", []Piece{{0, 25200, -9, -8, -7}, {25200, 25200, -9, -8, -7}}}, {"liquid", []Piece{{0, 50400, -8.2, -8, -7.9}}}, {"cabin", nil}}
	return p
}

func TestANightIsDrawnOnOneAxisWithItsGap(t *testing.T) {
	all := parse(t, Night(coldNight()))
	for class, want := range map[string]int{"night-flame": 2, "night-burn": 2, "night-unsure": 2, "night-spread": 4, "night-temp": 2, "night-name": 2,
		"night-alarm": 1, "night-flag": 1, "night-hour": 2, "night-now": 0, "night-cross": 1} {
		if n := len(classed(all, class)); n != want {
			t.Errorf("%d of %s, want %d", n, class, want)
		}
	}
	first := classed(all, "night-flame")[0]
	if number(t, first, "x") != nightLeft || math.Abs(number(t, first, "width")-1800/50400.*(nightRight-nightLeft)) > 0.01 {
		t.Errorf("a flame lit before the night is drawn from %s, %s wide", first.attr["x"], first.attr["width"])
	}
	names := classed(all, "night-name")
	if d := number(t, names[1], "y") - number(t, names[0], "y"); d < nameApart {
		t.Errorf("two names are %v apart, want %v", d, nameApart)
	}
}

func TestANightOfNothingIsAnEmptyFrame(t *testing.T) {
	for name, p := range map[string]NightPicture{"nothing": {Title: "n"}, "no time": {Title: "n", Burn: []Piece{{0, 60, 1, 1, 1}}, NowS: 3},
		"nonsense":          {Title: "n", SpanS: math.NaN(), Burn: []Piece{{math.NaN(), 60, 1, math.Inf(1), 1}}},
		"flames of no time": {Title: "n", SpanS: 3600, Flames: []Flame{{math.NaN(), 60, "x"}, {60, math.NaN(), "x"}}}} {
		all := parse(t, Night(p))
		if len(classed(all, "night-burn")) != 0 {
			t.Errorf("%s has a line", name)
		}
	}
}

func TestNothingOfANightLiesOutsideItsPicture(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		p := NightPicture{Title: "n", SpanS: rapid.Float64Range(60, 1e5).Draw(rt, "span"), NowS: rapid.Float64Range(-1e5, 1e6).Draw(rt, "now"),
			Units: Choice{Fahrenheit: rapid.Bool().Draw(rt, "f"), Burn: Burn(rapid.IntRange(0, 2).Draw(rt, "burn"))}}
		at := 0.0
		for range rapid.IntRange(0, 30).Draw(rt, "n") {
			at += rapid.Float64Range(0, p.SpanS/10).Draw(rt, "gap")
			long := rapid.Float64Range(1, p.SpanS/10).Draw(rt, "long")
			v := rapid.Float64Range(-60, 60).Draw(rt, "v")
			q := Piece{at, long, v - 1, v, v + rapid.Float64Range(0, 9).Draw(rt, "more")}
			p.Burn, p.Temps = append(p.Burn, q), append(p.Temps, TempCurve{"word", append([]Piece(nil), p.Burn...)})
			p.LowKg, p.HighKg = append(p.LowKg, q), append(p.HighKg, q)
			p.Flames, p.Alarms = append(p.Flames, Flame{at - long, at + long, "x"}), append(p.Alarms, Mark{at, "1"})
			at += long
		}
		for _, e := range parse(rt, Night(p)) {
			for _, pair := range strings.Fields(e.attr["points"]) {
				x, y, _ := strings.Cut(pair, ",")
				px, py := number(rt, element{attr: map[string]string{"v": x}}, "v"), number(rt, element{attr: map[string]string{"v": y}}, "v")
				if px < nightLeft || px > nightRight || py < 0 || py > 420 {
					rt.Fatalf("%s has the point %s", e.attr["class"], pair)
				}
			}
		}
	})
}
