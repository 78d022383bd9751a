package show

import (
	"math"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func coldPlan() PlanPicture {
	likely := []PlanPoint{{0, -5, -5, 300, 9}, {5, -10, -12, 200, 6}, {10, -5, -28, 75, 3}}
	worse := []PlanPoint{{0, -5, -5, 300, 9}, {4, -9, -28, 75, 6.6}}
	return PlanPicture{Title: "us-20lb", Desc: "ends by pressure", LimitGaugeKPa: 75,
		Lines: []PlanLine{{"8.5 W/(m² K)", likely}, {"6 W/(m² K)", worse}}}
}

func ofClass(all []element, class string) (out []element) {
	for _, e := range all {
		if e.attr["class"] == class {
			out = append(out, e)
		}
	}
	return out
}

// Each run is drawn in each panel, the likely one solid, ends where it ends, and comes down
// to the limit in the panel of the pressure.
func TestAPlanIsThreePanelsOnOneTimeAxis(t *testing.T) {
	svg := PlanSVG(coldPlan())
	all := parse(t, svg)
	if all[0].attr["class"] != "plan" || !strings.Contains(svg, `xmlns="http://www.w3.org/2000/svg"`) {
		t.Error("want a picture that stands as a file of its own")
	}
	likely, bound, limit := ofClass(all, "plan-likely"), ofClass(all, "plan-bound"), ofClass(all, "plan-limit")
	if len(likely) != 3 || len(bound) != 3 || len(limit) != 1 || len(ofClass(all, "plan-air")) != 1 || len(ofClass(all, "plan-frame")) != 3 {
		t.Fatalf("%d solid and %d dashed lines, %d limits", len(likely), len(bound), len(limit))
	}
	if likely[0].attr["stroke-dasharray"] != "" || bound[0].attr["stroke-dasharray"] == "" {
		t.Error("the likely run is to be solid and the others dashed, since colour says nothing in the dark")
	}
	_, end, _ := strings.Cut(likely[1].attr["d"], "626 ")
	if end == "" || end != limit[0].attr["y1"] {
		t.Errorf("the likely run %q does not end on the limit, at height %s", likely[1].attr["d"], limit[0].attr["y1"])
	}
	if !strings.Contains(bound[1].attr["d"], "L284 ") { // four tenths of the axis
		t.Errorf("the run that ends after 4 of 10 h is drawn as %q", bound[1].attr["d"])
	}
	for _, want := range []string{"Liquid, and the air dotted, °C", "limit 75.0 kPa", "h; solid: 8.5 W/(m² K); dashed: 6 W/(m² K)"} {
		if !strings.Contains(svg, want) {
			t.Errorf("no %q in the picture", want)
		}
	}
	p := coldPlan()
	p.Units = Choice{Pounds: true, Fahrenheit: true, Pressure: InPsi}
	if svg := PlanSVG(p); !strings.Contains(svg, "Liquid, and the air dotted, °F") || !strings.Contains(svg, "limit 10.9 psi") && !strings.Contains(svg, "limit 11 psi") {
		t.Error("the picture does not follow the chosen units")
	}
}

// Whatever it is given, the picture is one, and no line leaves its panel.
func TestAnyPlanIsDrawnWithinItsFrame(t *testing.T) {
	parse(t, PlanSVG(PlanPicture{Title: "nothing"}))
	rapid.Check(t, func(t *rapid.T) {
		number := rapid.OneOf(rapid.Float64Range(-60, 1400), rapid.SampledFrom([]float64{math.NaN(), math.Inf(1), 0}))
		p := PlanPicture{Title: "a " + rapid.String().Draw(t, "title"), LimitGaugeKPa: rapid.Float64Range(0, 1000).Draw(t, "limit")}
		for range rapid.IntRange(0, 3).Draw(t, "lines") {
			l := PlanLine{Label: rapid.String().Draw(t, "label")}
			for i := range rapid.IntRange(0, 5).Draw(t, "points") {
				l.Points = append(l.Points, PlanPoint{float64(i) * rapid.Float64Range(0.01, 150).Draw(t, "h"), number.Draw(t, "air"), number.Draw(t, "liquid"), number.Draw(t, "kPa"), number.Draw(t, "kg")})
			}
			p.Lines = append(p.Lines, l)
		}
		for _, e := range parse(t, PlanSVG(p)) {
			for _, key := range []string{"y1", "cy", "y"} {
				if v, err := strconv.ParseFloat(e.attr[key], 64); err == nil && (v < 0 || v > 500) {
					t.Fatalf("%s with %s=%g lies outside the picture", e.attr["class"], key, v)
				}
			}
			if v, err := strconv.ParseFloat(e.attr["cx"], 64); err == nil && (v < planLeft || v > planRight+0.01) {
				t.Fatalf("an end at %g lies outside the axis", v)
			}
		}
	})
}
