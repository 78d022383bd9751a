package web

import (
	"bytes"
	"encoding/json"
	"flag"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"math"
	"os"
	"slices"
	"strings"
	"testing"
)

var updateIcon = flag.Bool("update-icon", false, "draw the icon's files anew")

// The icon is the frost line: a ring of rime around a cylinder that is not drawn, and
// needles of rime hanging from the side that is seen. All of it lies within the middle 80 %,
// which is left of it where a phone cuts a circle out (maskable icons).
const (
	iconGround = "#0c1216"
	iconInk    = "#e6eef1"
)

// oval is an ellipse; coordinates are on a square of 32.
type oval struct{ x, y, rx, ry float64 }

func (o oval) holds(x, y float64) bool {
	dx, dy := (x-o.x)/o.rx, (y-o.y)/o.ry
	return dx*dx+dy*dy <= 1
}

// The ring is the outer oval without the inner one, which lies a little higher: so the far
// side is thinner.
var iconOuter, iconInner = oval{16, 12.7, 11, 4.5}, oval{16, 12.25, 9.9, 3.25}

// needle is a triangle that hangs by its short side.
type needle struct{ x, y, half, length float64 }

func (n needle) holds(x, y float64) bool {
	down := (y - n.y) / n.length
	return down >= 0 && down <= 1 && math.Abs(x-n.x) <= n.half*(1-down)
}

func iconNeedles() (out []needle) {
	round := func(v float64) float64 { return math.Round(100*v) / 100 }
	for i, length := range []float64{4, 8, 5.5, 11.5, 6.5, 9.5, 4.5} {
		sin, cos := math.Sincos((150 - 20*float64(i)) * math.Pi / 180)
		out = append(out, needle{round(16 + 10.3*cos), round(12.6 + 3.7*sin), 1.15, length})
	}
	return out
}

func iconSVG() string {
	ring := func(o oval) string {
		return fmt.Sprintf("M%g %ga%g %g 0 1 0 %g 0a%g %g 0 1 0 %g 0z", o.x-o.rx, o.y, o.rx, o.ry, 2*o.rx, o.rx, o.ry, -2*o.rx)
	}
	var b strings.Builder
	fmt.Fprintf(&b, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 32 32"><path fill="%s" d="M0 0h32v32H0z"/><path fill="%s" fill-rule="evenodd" d="%s%s"/><path fill="%s" d="`,
		iconGround, iconInk, ring(iconOuter), ring(iconInner), iconInk)
	for _, n := range iconNeedles() {
		fmt.Fprintf(&b, "M%.2f %gh%gl%g %gz", n.x-n.half, n.y, 2*n.half, -n.half, n.length)
	}
	b.WriteString("\"/></svg>\n")
	return b.String()
}

// iconPNG draws the same: how much of a pixel is inked is asked of 64 points in it.
func iconPNG(size int) image.Image {
	ground, ink := hexColour(iconGround), hexColour(iconInk)
	needles := iconNeedles()
	var palette color.Palette
	const fine, steps = 8, 64
	for i := range steps + 1 {
		f := float64(i) / steps
		mix := func(a, b uint8) uint8 { return uint8(math.Round(float64(a) + f*(float64(b)-float64(a)))) }
		palette = append(palette, color.RGBA{mix(ground.R, ink.R), mix(ground.G, ink.G), mix(ground.B, ink.B), 255})
	}
	img := image.NewPaletted(image.Rect(0, 0, size, size), palette)
	scale := 32 / float64(size*fine)
	for y := range size * fine {
		for x := range size * fine {
			px, py := (float64(x)+0.5)*scale, (float64(y)+0.5)*scale
			if iconOuter.holds(px, py) && !iconInner.holds(px, py) || slices.ContainsFunc(needles, func(n needle) bool { return n.holds(px, py) }) {
				img.Pix[img.PixOffset(x/fine, y/fine)]++
			}
		}
	}
	return img
}

func hexColour(s string) (c color.RGBA) {
	c.A = 255
	if _, err := fmt.Sscanf(s, "#%02x%02x%02x", &c.R, &c.G, &c.B); err != nil {
		panic(err)
	}
	return c
}

// TestTheIconIsTheOneThatIsDrawn holds the files to the drawing above; draw anew with
// go test ./daemon/web -run TheIcon -update-icon
func TestTheIconIsTheOneThatIsDrawn(t *testing.T) {
	if *updateIcon {
		if err := os.WriteFile("assets/icon.svg", []byte(iconSVG()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if text, err := files.ReadFile("assets/icon.svg"); !*updateIcon && (err != nil || string(text) != iconSVG()) {
		t.Errorf("icon.svg is not the drawing: %v", err)
	}
	for _, size := range []int{192, 512} {
		name, want := fmt.Sprintf("assets/icon-%d.png", size), iconPNG(size)
		if *updateIcon {
			var out bytes.Buffer
			if err := (&png.Encoder{CompressionLevel: png.BestCompression}).Encode(&out, want); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(name, out.Bytes(), 0o644); err != nil {
				t.Fatal(err)
			}
			continue
		}
		text, err := files.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		got, err := png.Decode(bytes.NewReader(text))
		if err != nil || got.Bounds() != want.Bounds() || len(text) > 16<<10 {
			t.Fatalf("%s: %v, %v, %d bytes", name, err, got.Bounds(), len(text))
		}
		for y := range size {
			for x := range size {
				if r, g, b, _ := got.At(x, y).RGBA(); !near(r, g, b, want.At(x, y)) {
					t.Fatalf("%s at %d, %d is not the drawing", name, x, y)
				}
				// Outside the circle that is never cut off there is ground only.
				if math.Hypot(float64(x)+0.5-float64(size)/2, float64(y)+0.5-float64(size)/2) > 0.4*float64(size) && !near32(want.At(x, y), hexColour(iconGround)) {
					t.Fatalf("%s has ink at %d, %d, which a round mask cuts off", name, x, y)
				}
			}
		}
	}
}

// near allows one step of the palette: the last bit of a coverage may differ between CPUs.
func near(r, g, b uint32, want color.Color) bool {
	wr, wg, wb, _ := want.RGBA()
	off := func(a, b uint32) float64 { return math.Abs(float64(a)-float64(b)) / 257 }
	return off(r, wr) <= 4 && off(g, wg) <= 4 && off(b, wb) <= 4
}

func near32(a, b color.Color) bool {
	r, g, bl, _ := a.RGBA()
	return near(r, g, bl, b)
}

func TestTheManifestNamesAnAppWithIcons(t *testing.T) {
	s, _ := paired(t)
	w := ask(s, "GET", manifestPath, "") // a browser asks for it without the cookie
	if w.Code != 200 || w.Header().Get("Content-Type") != "application/manifest+json; charset=utf-8" {
		t.Fatalf("manifest: %d, %s", w.Code, w.Header().Get("Content-Type"))
	}
	var m struct {
		Name, Display string
		ShortName     string `json:"short_name"`
		StartURL      string `json:"start_url"`
		Theme         string `json:"theme_color"`
		Ground        string `json:"background_color"`
		Icons         []struct{ Src, Sizes, Type, Purpose string }
	}
	if err := json.Unmarshal(w.Body.Bytes(), &m); err != nil {
		t.Fatal(err)
	}
	if m.Name == "" || m.ShortName == "" || m.StartURL != "/" || m.Display != "standalone" || m.Theme == "" || m.Ground == "" {
		t.Errorf("manifest %+v is not whole", m)
	}
	if strings.Contains(w.Body.String(), s.opt.VanName) {
		t.Error("the van's name is told to who is not paired")
	}
	sizes := map[string]bool{}
	for _, icon := range m.Icons {
		if icon.Src == string(s.assets.mark) { // within the manifest: one request less
			sizes[icon.Sizes+" "+icon.Purpose] = true
			continue
		}
		w := ask(s, "GET", icon.Src, "")
		if w.Code != 200 || w.Header().Get("Content-Type") != icon.Type {
			t.Errorf("icon %+v: %d, %s", icon, w.Code, w.Header().Get("Content-Type"))
		}
		sizes[icon.Sizes+" "+icon.Purpose] = true
		if icon.Type == "image/png" {
			if c, err := png.DecodeConfig(w.Body); err != nil || fmt.Sprintf("%dx%d", c.Width, c.Height) != icon.Sizes {
				t.Errorf("icon %+v is %dx%d, %v", icon, c.Width, c.Height, err)
			}
		}
	}
	for _, want := range []string{"192x192 any", "512x512 any", "512x512 maskable", "any any"} {
		if !sizes[want] {
			t.Errorf("no icon of %s among %v", want, sizes)
		}
	}
	for _, page := range []string{"/pair"} {
		if body := ask(s, "GET", page, "").Body.String(); !strings.Contains(body, manifestPath) || !strings.Contains(body, s.assets.icon192.path) || strings.Contains(body, s.opt.VanName) {
			t.Errorf("%s has no manifest or touch icon, or tells the van's name", page)
		}
	}
}
