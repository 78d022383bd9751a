package show

import (
	"math"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// winter is a van of 40 W/K and 150 W, with one night driven.
func winter() CostPicture {
	kg := func(c float64) float64 { return max(0, (40*(18-c)-150)*16*3600/46.338e6) }
	p := CostPicture{Title: "Fuel by night", Desc: "a night at -5 °C burns 1.0 kg"}
	for c := -15.0; c <= 10; c += 2.5 {
		p.Line = append(p.Line, CostPoint{c, kg(c), 0.8 * kg(c), 1.2 * kg(c)})
		p.Nights = append(p.Nights, CostNight{Label: "a night", OutsideC: c, Kg: kg(c) * 1.05})
	}
	p.Nights = append(p.Nights, CostNight{Label: "driven", OutsideC: -4, Kg: 0.3, Aside: true})
	return p
}

func byClass(all []element, class string) (out []element) {
	for _, e := range all {
		for _, c := range strings.Fields(e.attr["class"]) {
			if c == class {
				out = append(out, e)
			}
		}
	}
	return out
}

func at(t *testing.T, e element, key string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(e.attr[key], 64)
	if err != nil {
		t.Fatalf("%s of %s: %v", key, e.name, err)
	}
	return v
}

func TestAColderNightStandsHigherAndFartherLeft(t *testing.T) {
	all := parse(t, Cost(winter()))
	dots := byClass(all, "cost-night")
	if len(dots) != 11 || len(byClass(all, "cost-aside")) != 1 {
		t.Fatalf("%d dots and %d rings, want 11 and 1", len(dots), len(byClass(all, "cost-aside")))
	}
	for i := 1; i < len(dots); i++ {
		if at(t, dots[i], "cx") <= at(t, dots[i-1], "cx") || at(t, dots[i], "cy") <= at(t, dots[i-1], "cy") {
			t.Errorf("night %d stands at %s, %s after %s, %s", i, dots[i].attr["cx"], dots[i].attr["cy"], dots[i-1].attr["cx"], dots[i-1].attr["cy"])
		}
	}
	line := strings.Fields(byClass(all, "cost-line")[0].attr["points"])
	if len(line) != 11 || len(strings.Fields(byClass(all, "cost-band")[0].attr["points"])) != 22 {
		t.Errorf("the line has %d points, want 11 and a band about it", len(line))
	}
	if ring := byClass(all, "cost-aside")[0]; ring.attr["fill"] != "none" {
		t.Error("a night that does not count looks like one that does")
	}
}

func TestTheScaleOfCostReadsBackTheNight(t *testing.T) {
	p := winter()
	p.Nights = []CostNight{{OutsideC: -7, Kg: 1.13}}
	all := parse(t, Cost(p))
	dot := byClass(all, "cost-night")[0]
	// Two numbers of each scale give the place of every other.
	type mark struct{ v, at float64 }
	var xs, ys []mark
	for _, e := range byClass(all, "cost-scale") {
		v, err := strconv.ParseFloat(e.chars, 64)
		if err != nil {
			t.Fatalf("the scale reads %q", e.chars)
		}
		if e.attr["text-anchor"] == "middle" {
			xs = append(xs, mark{v, at(t, e, "x")})
		} else {
			ys = append(ys, mark{v, at(t, e, "y") - 3})
		}
	}
	read := func(m []mark, at float64) float64 {
		a, b := m[0], m[len(m)-1]
		return a.v + (at-a.at)/(b.at-a.at)*(b.v-a.v)
	}
	if c, kg := read(xs, at(t, dot, "cx")), read(ys, at(t, dot, "cy")); math.Abs(c+7) > 0.01 || math.Abs(kg-1.13) > 0.002 {
		t.Errorf("by its scales the night reads %.2f °C and %.3f kg, want -7 and 1.13", c, kg)
	}
}

func TestCostSpeaksTheUnitsOfThePhone(t *testing.T) {
	p := winter()
	p.Units = Choice{Pounds: true, Fahrenheit: true}
	svg := Cost(p)
	for _, want := range []string{"lb a night", "mean outside, °F", "2.2 lb at 23.0 °F"} {
		if !strings.Contains(svg, want) {
			t.Errorf("the picture lacks %q", want)
		}
	}
}

func TestALineThatIsNotThisVansIsDashed(t *testing.T) {
	p := winter()
	if strings.Contains(Cost(p), "dasharray") {
		t.Error("the van's own line is dashed")
	}
	p.Typical = true
	if e := byClass(parse(t, Cost(p)), "cost-typical"); len(e) != 1 || e[0].attr["stroke-dasharray"] == "" {
		t.Error("a typical line looks like the van's own")
	}
}

func TestAnyNightsMakeAPictureWithinItsFrame(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		odd := rapid.OneOf(rapid.Float64Range(-60, 60), rapid.SampledFrom([]float64{math.NaN(), math.Inf(1), math.Inf(-1), 0}))
		p := CostPicture{Title: rapid.String().Draw(t, "title"), Typical: rapid.Bool().Draw(t, "typical"), Units: Choice{Pounds: rapid.Bool().Draw(t, "lb")}}
		for range rapid.IntRange(0, 5).Draw(t, "nights") {
			p.Nights = append(p.Nights, CostNight{Label: rapid.String().Draw(t, "label"), OutsideC: odd.Draw(t, "c"), Kg: odd.Draw(t, "kg")})
		}
		for range rapid.IntRange(0, 4).Draw(t, "points") {
			low := rapid.Float64Range(-1, 3).Draw(t, "low")
			p.Line = append(p.Line, CostPoint{odd.Draw(t, "at"), low + 1, low, low + 2})
		}
		p.Title += "x" // never without one
		for _, e := range parse(t, Cost(p)) {
			if e.name != "circle" {
				continue
			}
			x, _ := strconv.ParseFloat(e.attr["cx"], 64)
			y, _ := strconv.ParseFloat(e.attr["cy"], 64)
			if x < costLeft-0.01 || x > costRight+0.01 || y < costTop-0.01 || y > costBottom+0.01 {
				t.Fatalf("a night at %g, %g lies outside the frame", x, y)
			}
		}
	})
}
