package web

import (
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// TestEveryThemeCanBeRead holds text to 4.5:1 and the edges of controls to 3:1 against
// their ground, in each theme (WCAG 2.2, 1.4.3 and 1.4.11).
func TestEveryThemeCanBeRead(t *testing.T) {
	css := string(loadAssets().css.body)
	block := regexp.MustCompile(`(?s):root[^{]*\{[^}]*--ground[^}]*\}`)
	colour := regexp.MustCompile(`--([a-z-]+): #([0-9a-f]{3,6})\b`)
	found := block.FindAllString(css, -1)
	if len(found) != 4 {
		t.Fatalf("%d sets of colours, want light, dark by the phone's choice, dark, night", len(found))
	}
	for _, set := range found {
		name, _, _ := strings.Cut(set, "{")
		lum := map[string]float64{}
		for _, m := range colour.FindAllStringSubmatch(set, -1) {
			lum[m[1]] = luminance(t, m[2])
		}
		for _, pair := range []struct {
			fore, back string
			least      float64
		}{
			{"ink", "ground", 4.5}, {"soft", "ground", 4.5}, {"edge", "ground", 3},
			{"alarm-ink", "alarm-ground", 4.5}, {"alarm-soft", "alarm-ground", 4.5},
		} {
			a, b := lum[pair.fore], lum[pair.back]
			if ratio := (max(a, b) + 0.05) / (min(a, b) + 0.05); ratio < pair.least {
				t.Errorf("%s: %s on %s is %.2f:1, want %.1f:1", strings.TrimSpace(name), pair.fore, pair.back, ratio, pair.least)
			}
		}
	}
	if dark, auto := found[2], found[1]; colour.FindAllString(dark, -1)[0] != colour.FindAllString(auto, -1)[0] {
		t.Error("dark by the phone's choice differs from dark by hand")
	}
}

// luminance is the relative luminance of a colour (WCAG 2.2).
func luminance(t *testing.T, hex string) float64 {
	t.Helper()
	if len(hex) == 3 {
		hex = string([]byte{hex[0], hex[0], hex[1], hex[1], hex[2], hex[2]})
	}
	sum := 0.0
	for i, weight := range []float64{0.2126, 0.7152, 0.0722} {
		n, err := strconv.ParseUint(hex[2*i:2*i+2], 16, 8)
		if err != nil {
			t.Fatalf("colour %q: %v", hex, err)
		}
		c := float64(n) / 255
		if c <= 0.04045 {
			c /= 12.92
		} else {
			c = math.Pow((c+0.055)/1.055, 2.4)
		}
		sum += weight * c
	}
	return sum
}

// TestNothingMovesByItself: who asked for less motion gets none, for there is none (WCAG
// 2.2.2 and 2.3.1).
func TestNothingMovesByItself(t *testing.T) {
	a := loadAssets()
	for _, text := range []string{string(a.css.body), string(a.js.body), string(a.night.body)} {
		if found := regexp.MustCompile(`animation|transition\s*:|@keyframes|smooth|<marquee|\.animate\(`).FindString(text); found != "" {
			t.Errorf("something moves by %q", found)
		}
	}
}
