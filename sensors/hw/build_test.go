package hw_test

import (
	"context"
	"encoding/xml"
	"errors"
	"fmt"
	"go/ast"
	"go/constant"
	"go/parser"
	"go/token"
	"go/types"
	"io"
	"maps"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"frostline/config"
	"frostline/sensors"
	"frostline/sensors/hw"
)

// The recommended build is a page, its pictures, a configuration and an overlay. Somebody
// solders by them, so they are held to each other and to the program here.
const (
	buildPage = "../BUILD.md"
	buildDir  = "../build"
)

func buildText(t *testing.T, path ...string) string {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(path...))
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// header is what the pins of the 40-pin header carry, of those the build uses; from memory.
var header = map[int]string{1: "3.3 V", 3: "GPIO2", 5: "GPIO3", 6: "GND", 7: "GPIO4", 9: "GND", 11: "GPIO17", 13: "GPIO27",
	14: "GND", 15: "GPIO22", 16: "GPIO23", 17: "3.3 V", 18: "GPIO24", 20: "GND", 22: "GPIO25", 25: "GND", 37: "GPIO26", 39: "GND"}

// picture is an SVG as far as the tests ask.
type picture struct {
	title, desc string
	style       string
	text        string // all that is written in it
	pins        []pin
	chips       map[string]string // address by chip
	wrong       []string          // what no picture of ours may hold
}

type pin struct {
	n         int
	line, use string
	shown     string // the text drawn with it
}

func look(t *testing.T, file string) picture {
	t.Helper()
	p := picture{chips: map[string]string{}}
	dec := xml.NewDecoder(strings.NewReader(buildText(t, file)))
	var open []string
	var group *pin // the pin whose group is open
	var depth int  // of that group
	for {
		tok, err := dec.Token()
		if errors.Is(err, io.EOF) {
			return p
		}
		if err != nil {
			t.Fatalf("%s: %v", file, err)
		}
		switch x := tok.(type) {
		case xml.StartElement:
			open = append(open, x.Name.Local)
			if slices.Contains([]string{"script", "image", "use", "foreignObject", "a"}, x.Name.Local) {
				p.wrong = append(p.wrong, "a "+x.Name.Local)
			}
			at := map[string]string{}
			for _, a := range x.Attr {
				at[a.Name.Local] = a.Value
				if a.Name.Local == "href" || a.Name.Local == "src" || strings.HasPrefix(a.Name.Local, "on") || strings.Contains(a.Value, "url(") {
					p.wrong = append(p.wrong, fmt.Sprintf("%s=%q", a.Name.Local, a.Value))
				}
			}
			if n, err := strconv.Atoi(at["data-pin"]); err == nil {
				p.pins = append(p.pins, pin{n: n, line: at["data-line"], use: at["data-use"]})
				group, depth = &p.pins[len(p.pins)-1], len(open)
			}
			if at["data-chip"] != "" {
				p.chips[at["data-chip"]] = at["data-address"]
			}
			if len(open) == 1 && !strings.HasPrefix(at["viewBox"], "0 0 720 ") {
				p.wrong = append(p.wrong, "another width than 720, for which the letters are sized")
			}
			p.style += at["style"]
			if len(open) == 1 && (at["role"] != "img" || at["aria-labelledby"] != "title desc") {
				p.wrong = append(p.wrong, "no role and name for a screen reader")
			}
		case xml.EndElement:
			if group != nil && len(open) == depth {
				group = nil
			}
			open = open[:len(open)-1]
		case xml.CharData:
			text := strings.TrimSpace(string(x))
			switch in := open; {
			case text == "":
			case slices.Contains(in, "style"):
				p.style += text
				if strings.Contains(text, "url(") || strings.Contains(text, "@import") {
					p.wrong = append(p.wrong, "a style from elsewhere")
				}
			case in[len(in)-1] == "title":
				p.title = text
			case in[len(in)-1] == "desc":
				p.desc = text
			default:
				p.text += text + "\n"
				if group != nil {
					group.shown += text + " "
				}
			}
		case xml.Directive:
			p.wrong = append(p.wrong, "a directive")
		}
	}
}

func pictures(t *testing.T) map[string]picture {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(buildDir, "*.svg"))
	if err != nil || len(files) < 8 {
		t.Fatalf("want the pictures of the build, found %v, %v", files, err)
	}
	all := map[string]picture{}
	for _, f := range files {
		all[filepath.Base(f)] = look(t, f)
	}
	return all
}

var fontSize = regexp.MustCompile(`(?:font|font-size):\s*(\d+(?:\.\d+)?)px`)

func TestPicturesStandAloneAndCanBeReadAloud(t *testing.T) {
	page, shipped := buildText(t, buildPage), buildText(t, "../../systemd/deb/nfpm.yaml")
	for name, p := range pictures(t) {
		for _, w := range p.wrong {
			t.Errorf("%s holds %s; a picture stands alone", name, w)
		}
		for _, m := range fontSize.FindAllStringSubmatch(p.style, -1) {
			if px, _ := strconv.ParseFloat(m[1], 64); px < 19 {
				t.Errorf("%s has letters of %g px; on a phone half of that is left", name, px)
			}
		}
		if !strings.Contains(p.style, "@media screen and (prefers-color-scheme: dark)") {
			t.Errorf("%s cannot be read in the dark, or prints dark", name)
		}
		if len(p.title) < 10 || len(p.desc) < 100 {
			t.Errorf("%s: title %q and a desc of %d letters tell nobody who cannot see it what it shows", name, p.title, len(p.desc))
		}
		if !regexp.MustCompile(`!\[[^\]]{10,}\]\(build/` + regexp.QuoteMeta(name) + `\)`).MatchString(page) {
			t.Errorf("%s is not shown in BUILD.md with words for those who cannot see it", name)
		}
	}
	for _, m := range regexp.MustCompile(`\]\((build/[^)]+)\)`).FindAllStringSubmatch(page, -1) {
		if _, err := os.Stat(filepath.Join("..", m[1])); err != nil {
			t.Errorf("BUILD.md points at %s: %v", m[1], err)
		}
	}
	for _, want := range []string{"../../sensors/BUILD.md, dst: /usr/share/doc/frostline/BUILD.md", "../../sensors/build, dst: /usr/share/doc/frostline/build"} {
		if !strings.Contains(shipped, want) {
			t.Errorf("the Debian package does not ship %s", want)
		}
	}
	bad := filepath.Join(t.TempDir(), "bad.svg")
	if err := os.WriteFile(bad, []byte(`<svg xmlns="http://www.w3.org/2000/svg"><image href="https://a.invalid/x.png"/></svg>`), 0o600); err != nil {
		t.Fatal(err)
	}
	if p := look(t, bad); len(p.wrong) != 4 || p.desc != "" {
		t.Errorf("the look would not notice a picture from elsewhere: %v", p.wrong)
	}
}

func TestEveryPictureAndTheTableNameTheSamePins(t *testing.T) {
	all, page := pictures(t), buildText(t, buildPage)
	for name, p := range all {
		for _, x := range p.pins {
			if header[x.n] == "" || header[x.n] != x.line {
				t.Errorf("%s: pin %d as %q, the header has %q", name, x.n, x.line, header[x.n])
			}
			if !slices.Contains(strings.Fields(x.shown), strconv.Itoa(x.n)) || !strings.Contains(p.text, x.line) {
				t.Errorf("%s: pin %d (%s) is drawn as %q", name, x.n, x.line, x.shown)
			}
		}
	}
	seen := map[int]bool{}
	for _, x := range all["header.svg"].pins {
		seen[x.n] = true
		if !strings.Contains(x.shown, x.use) || !strings.Contains(x.shown, x.line) {
			t.Errorf("header.svg: pin %d says %q, meant is %s for %s", x.n, x.shown, x.line, x.use)
		}
		if row := fmt.Sprintf("| %d | %s | %s |", x.n, x.line, x.use); !strings.Contains(page, row) {
			t.Errorf("BUILD.md lacks the row %q", row)
		}
	}
	for name, address := range all["chips.svg"].chips {
		if text := all["chips.svg"].text; !strings.Contains(text, name) || !strings.Contains(text, address) || !strings.Contains(page, "| "+name+" | "+address+" | ") {
			t.Errorf("%s at %s: want it written in chips.svg and in BUILD.md's table", name, address)
		}
	}
	if len(seen) != len(header) {
		t.Errorf("header.svg shows %d pins, the build uses %d", len(seen), len(header))
	}
}

// lineOf finds what a channel, the sounder or the lamp is wired to, also where the table is
// still a comment.
func linesOf(file string) map[string]string {
	lines := map[string]string{}
	uncommented := regexp.MustCompile(`(?m)^# ?`).ReplaceAllString(file, "")
	for _, table := range strings.Split(uncommented, "\n[") {
		ch := regexp.MustCompile(`(?m)^channel = "(\w+)"`).FindStringSubmatch(table)
		line := regexp.MustCompile(`(?m)^line = "(\w+)"`).FindStringSubmatch(table)
		if ch != nil && line != nil {
			lines[ch[1]] = line[1]
		}
	}
	for key, use := range map[string]string{"line": "sounder", "led": "lamp"} {
		_, table, _ := strings.Cut(file, "\n[sounder]")
		if m := regexp.MustCompile(`(?m)^` + key + ` = "(\w+)"`).FindStringSubmatch(table); m != nil {
			lines[use] = m[1]
		}
	}
	return lines
}

func TestConfigurationOverlayAndPicturesAreOneBuild(t *testing.T) {
	all := pictures(t)
	file := buildText(t, buildDir, "build.toml")
	overlay, rule := buildText(t, buildDir, "frostline.dts"), buildText(t, buildDir, "61-frostline-scale.rules")
	cfg, err := config.Parse("build.toml", []byte(file))
	if err != nil {
		t.Fatalf("the configuration of the recommended build must be valid:\n%v", err)
	}

	lines := linesOf(file)
	want := map[string]string{}
	for _, x := range all["header.svg"].pins {
		if strings.HasPrefix(x.line, "GPIO") && !slices.Contains([]string{"SDA", "SCL", "1-wire data"}, x.use) {
			want[x.use] = x.line
		}
	}
	if !maps.Equal(lines, want) {
		t.Errorf("GPIO lines: build.toml has %v, header.svg %v", lines, want)
	}
	if cfg.Sounder == nil || cfg.Sounder.Line != lines["sounder"] || cfg.Sounder.Tested {
		t.Errorf("sounder %+v; a file cannot have heard it", cfg.Sounder)
	}
	if !cfg.Page.Pair || cfg.Page.Glance {
		t.Error("whoever is in the Wi-Fi could read the page without being paired")
	}

	inputs := map[string]int{"4": 0, "5": 1, "7": 3} // the overlay's channel of each AIN
	wired := map[sensors.Channel]hw.Wire{}
	for _, w := range cfg.Board {
		wired[w.Channel] = w
		drawn := slices.ContainsFunc(slices.Collect(maps.Values(all)), func(p picture) bool { return strings.Contains(p.text, string(w.Channel)) })
		address, isChip := all["chips.svg"].chips[w.Device]
		if !drawn && !isChip {
			t.Errorf("%s is in no picture", w.Channel)
		}
		if w.Driver != hw.IIO && w.Driver != hw.Hwmon {
			continue // it hangs on no chip
		}
		if !isChip || !strings.Contains(overlay, "@"+strings.TrimPrefix(address, "0x")+" {") || !strings.Contains(overlay, "reg = <"+address+">;") ||
			!strings.Contains(overlay, ","+w.Device+`";`) {
			t.Errorf("%s hangs on %s at %q, which overlay or chips.svg do not have", w.Channel, w.Device, address)
		}
	}
	for at, ain := range inputs {
		if !strings.Contains(overlay, "channel@"+at+" { // AIN"+strconv.Itoa(ain)) || !strings.Contains(overlay, "reg = <"+at+">;\n\t\t\tti,gain = <1>;") {
			t.Errorf("AIN%d is not set to ±4.096 V in the overlay", ain)
		}
	}
	for ch, ain := range map[sensors.Channel]int{sensors.GasV: 0, sensors.GasSupplyV: 1, sensors.GasHeaterV: 1, sensors.BatteryV: 3} {
		if w := wired[ch]; w.Device != "ads1115" || w.Attribute != fmt.Sprintf("in_voltage%d", ain) ||
			!regexp.MustCompile(fmt.Sprintf(`AIN%d[^\n]*\(?[^)\n]*%s`, ain, ch)).MatchString(overlay) {
			t.Errorf("%s: %+v, want AIN%d in configuration and overlay", ch, w, ain)
		}
	}
	if cfg.Core.Estimate.Gas.LoadOhm != 10e3+10e3 || wired[sensors.GasV].Gain != (10e3+10e3)/10e3 || wired[sensors.GasSupplyV].Gain != 2 ||
		wired[sensors.GasHeaterV].Gain != 2 || wired[sensors.BatteryV].Gain != (100e3+10e3)/10e3 {
		t.Error("a gain or the load resistor is not that of the resistors drawn")
	}
	if cfg.Core.Estimate.Gas.TestMix || cfg.Core.Estimate.Gas.R0Ohm != 0 {
		t.Error("an R0 belongs to one sensor and cannot stand in an example")
	}

	onewire := slices.IndexFunc(all["header.svg"].pins, func(p pin) bool { return p.use == "1-wire data" })
	if line := all["header.svg"].pins[onewire].line; !strings.Contains(overlay, "gpios = <&gpio "+strings.TrimPrefix(line, "GPIO")+" 0>") {
		t.Errorf("the overlay has the 1-wire bus elsewhere than %s", line)
	}
	vldo := regexp.MustCompile(`nuvoton,vldo = <(\d+)>`).FindStringSubmatch(overlay)
	mV, _ := strconv.ParseUint(vldo[1], 10, 64)
	// nau7802.c of Linux 6.1: scale_avail[i] = vref_mv * 1e9 >> (23 + i), in nanovolt per code of a millivolt.
	if scale := fmt.Sprintf("0.%09d", mV*1e9>>30); !strings.Contains(rule, `ATTR{in_voltage_scale}="`+scale+`"`) {
		t.Errorf("the rule does not set gain 128: with %d mV that is %s", mV, scale)
	}
}

// The kernel's tree as its drivers lay it for these chips: the iio devices do not carry the
// chips' names (6.1), the 1-wire folders do not sit on the I2C bus.
func TestBuildReadsEverySensorThroughTheKernelsDrivers(t *testing.T) {
	cfg, err := config.Load(filepath.Join(buildDir, "build.toml"))
	if err != nil {
		t.Fatal(err)
	}
	root := t.TempDir()
	lay := func(class, behind string, attributes map[string]string) {
		t.Helper()
		at := filepath.Join(root, "devices", behind)
		if err := os.MkdirAll(at, 0o755); err != nil {
			t.Fatal(err)
		}
		for name, text := range attributes {
			if err := os.WriteFile(filepath.Join(at, name), []byte(text+"\n"), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		if class == "" {
			return
		}
		if err := os.MkdirAll(filepath.Join(root, class), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.Symlink(at, filepath.Join(root, class, filepath.Base(behind))); err != nil {
			t.Fatal(err)
		}
	}
	lay("", "i2c-1/1-002a", map[string]string{"name": "nau7802"})
	lay("bus/iio/devices", "i2c-1/1-002a/iio:device0", map[string]string{"name": "1-002a", "in_voltage0_raw": "771234", "in_voltage_scale": "0.000002793"})
	lay("", "i2c-1/1-0048", map[string]string{"name": "ads1115"})
	lay("bus/iio/devices", "i2c-1/1-0048/iio:device1", map[string]string{"name": "ads1015",
		"in_voltage0_raw": "2400", "in_voltage0_scale": "0.125000000", "in_voltage1_raw": "20000", "in_voltage1_scale": "0.125000000",
		"in_voltage3_raw": "9236", "in_voltage3_scale": "0.125000000"})
	lay("", "i2c-1/1-0076", map[string]string{"name": "bmp280"})
	lay("bus/iio/devices", "i2c-1/1-0076/iio:device2", map[string]string{"name": "bmp280", "in_pressure_input": "95.25"})
	lay("", "i2c-1/1-0049", map[string]string{"name": "tmp102"})
	lay("class/hwmon", "i2c-1/1-0049/hwmon/hwmon0", map[string]string{"name": "tmp102", "temp1_input": "17250"})
	for _, address := range []string{"28-000000000001", "28-000000000002", "28-000000000003"} {
		lay("bus/w1/devices", "w1_bus_master1/"+address, map[string]string{
			"w1_slave": "c8 ff 55 05 7f ff 0c 10 2e : crc=2e YES\nc8 ff 55 05 7f ff 0c 10 2e t=-3500"})
	}
	kernels := slices.DeleteFunc(cfg.Board, func(w hw.Wire) bool { return !slices.Contains([]hw.Driver{hw.IIO, hw.Hwmon, hw.W1}, w.Driver) })
	board, err := hw.Open(hw.Options{Root: root, Wires: kernels, Wiring: cfg.Core.Wiring})
	if err != nil {
		t.Fatal(err)
	}
	defer board.Close()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	want := map[sensors.Channel]float64{sensors.LoadCounts: 771234, sensors.GasV: 0.6, sensors.GasSupplyV: 5, sensors.GasHeaterV: 5, sensors.BatteryV: 12.6995,
		sensors.LockerC: -3.5, sensors.OutsideC: -3.5, sensors.WaterlineC: -3.5, sensors.CabinC: 17.25, sensors.BaroKPa: 95.25}
	for _, f := range board.Probe(ctx) {
		if v, ok := want[f.Wire.Channel]; !ok || f.Err != nil || math.Abs(f.Reading.Value-v) > 1e-9 {
			t.Errorf("%s reads %v, %v; want %v", f.Wire.Channel, f.Reading, f.Err, v)
		}
		delete(want, f.Wire.Channel)
	}
	if len(want) > 0 {
		t.Errorf("nobody asked for %v", want)
	}
}

// faultWords are those the drivers can emit: the first block of constants of fault.go, and
// literals handed to a fault elsewhere.
func faultWords(t *testing.T) []string {
	t.Helper()
	files, err := filepath.Glob("*.go")
	if err != nil {
		t.Fatal(err)
	}
	var words []string
	literal := func(x ast.Expr) {
		if l, ok := x.(*ast.BasicLit); ok && l.Kind == token.STRING {
			w, _ := strconv.Unquote(l.Value)
			words = append(words, w)
		}
	}
	for _, name := range files {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		f, err := parser.ParseFile(token.NewFileSet(), name, nil, parser.ParseComments)
		if err != nil {
			t.Fatal(err)
		}
		for _, d := range f.Decls {
			if g, ok := d.(*ast.GenDecl); ok && g.Tok == token.CONST && strings.HasPrefix(g.Doc.Text(), "The fault words") {
				for _, s := range g.Specs {
					literal(s.(*ast.ValueSpec).Values[0])
				}
			}
		}
		ast.Inspect(f, func(n ast.Node) bool {
			switch x := n.(type) {
			case *ast.CompositeLit:
				if id, ok := x.Type.(*ast.Ident); ok && id.Name == "fault" && len(x.Elts) > 0 {
					literal(x.Elts[0])
				}
			case *ast.CallExpr:
				if s, ok := x.Fun.(*ast.SelectorExpr); ok && s.Sel.Name == "Fault" && len(x.Args) == 1 {
					literal(x.Args[0])
				}
			}
			return true
		})
	}
	return words
}

func TestTroubleTableHasEveryWordOfTheDrivers(t *testing.T) {
	words := faultWords(t)
	if len(words) < 20 || !slices.Contains(words, "weak-supply") {
		t.Fatalf("found only %v: the scan no longer sees fault.go", words)
	}
	page := buildText(t, buildPage)
	for _, w := range words {
		row := regexp.MustCompile("(?m)^\\| `" + regexp.QuoteMeta(w) + "` \\| [^|]{10,} \\| [^|]{10,} \\|$")
		if !row.MatchString(page) {
			t.Errorf("BUILD.md's table of faults lacks a row | `%s` | likely wire | what to do |", w)
		}
	}
}

// judgedReasons are the texts the page shows when the core doubts a value that a driver
// believed: the literals handed to refuse, doubt and why in the conditioner, and the gas
// watch's faults.
func judgedReasons(t *testing.T) []string {
	t.Helper()
	files, err := filepath.Glob("../../daemon/estimate/*.go")
	if err != nil {
		t.Fatal(err)
	}
	var reasons []string
	take := func(x ast.Expr) {
		if l, ok := x.(*ast.BasicLit); ok && l.Kind == token.STRING {
			s, _ := strconv.Unquote(l.Value)
			reasons = append(reasons, s)
		}
	}
	for _, name := range files {
		base := filepath.Base(name)
		if strings.HasSuffix(base, "_test.go") || !strings.HasPrefix(base, "condition_") && base != "gas.go" {
			continue
		}
		f, err := parser.ParseFile(token.NewFileSet(), name, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		ast.Inspect(f, func(n ast.Node) bool {
			switch x := n.(type) {
			case *ast.CallExpr:
				if id, ok := x.Fun.(*ast.Ident); ok && (id.Name == "refuse" || id.Name == "doubt") {
					take(x.Args[0])
				}
			case *ast.KeyValueExpr:
				if id, ok := x.Key.(*ast.Ident); ok && id.Name == "why" {
					take(x.Value)
				}
			case *ast.ValueSpec:
				named := strings.HasPrefix(x.Names[0].Name, "gas") || x.Names[0].Name == "noVoltage" || x.Names[0].Name == "stuckStill"
				if named && len(x.Values) > 0 {
					take(x.Values[0])
				}
			}
			return true
		})
	}
	return reasons
}

func TestTroubleTableHasEveryDoubtOfTheCore(t *testing.T) {
	reasons := judgedReasons(t)
	if len(reasons) < 20 {
		t.Fatalf("found only %q: the scan no longer sees the conditioner", reasons)
	}
	page := buildText(t, buildPage)
	for _, r := range reasons {
		if !regexp.MustCompile("(?m)^\\| " + regexp.QuoteMeta(r) + " \\| [^|]{10,} \\| [^|]{10,} \\|$").MatchString(page) {
			t.Errorf("BUILD.md's table of doubts lacks a row | %s | likely wire | what to do |", r)
		}
	}
}

// unitFactors are the units of the page's arithmetic, in SI where they are measures; what a
// ratio is of does not matter to the sum.
var unitFactors = map[string]float64{"V": 1, "mV": 1e-3, "A": 1, "mA": 1e-3, "Ω": 1, "kΩ": 1e3, "W": 1, "mW": 1e-3, "nF": 1e-9, "pF/m": 1e-12,
	"kg": 1, "m": 1, "mm²": 1, "Ωmm²/m": 1, "m/s²": 1, "ms": 1e-3, "µs": 1e-6, "kN": 1e3, "h": 1, "Ah": 1, "days": 1, "%": 1e-2, "mV/V": 1e-3, "": 1}

var measure = regexp.MustCompile(`(\d+(?:\.\d+)?)(?:\s?([a-zA-ZΩµ%][a-zA-ZΩµ²/]*))?`)

// sum works out one side of a line of arithmetic and says by how much its last digit may be off.
func sum(text string) (value, half float64, err error) {
	var unknown error
	goText := measure.ReplaceAllStringFunc(text, func(s string) string {
		m := measure.FindStringSubmatch(s)
		f, ok := unitFactors[m[2]]
		if !ok {
			unknown = fmt.Errorf("unit %q is not known", m[2])
		}
		_, decimals, _ := strings.Cut(m[1], ".")
		half = math.Pow(10, -float64(len(decimals))) / 2 * f
		v, _ := strconv.ParseFloat(m[1], 64)
		return strconv.FormatFloat(v*f, 'e', -1, 64)
	})
	if unknown != nil {
		return 0, 0, unknown
	}
	tv, err := types.Eval(token.NewFileSet(), nil, token.NoPos, strings.NewReplacer("×", "*", "−", "-").Replace(goText))
	if err != nil {
		return 0, 0, err
	}
	value, _ = constant.Float64Val(constant.ToFloat(tv.Value))
	return value, half, nil
}

func TestArithmeticOfTheBuildIsRight(t *testing.T) {
	lines := regexp.MustCompile("`([^`\n]*[×/+−][^`\n]*) = ([^`\n]+)`").FindAllStringSubmatch(buildText(t, buildPage), -1)
	if len(lines) < 25 {
		t.Fatalf("found %d lines of arithmetic in BUILD.md; the scan no longer sees them", len(lines))
	}
	for _, l := range lines {
		left, _, err := sum(l[1])
		if err != nil {
			t.Errorf("%s: %v", l[0], err)
			continue
		}
		right, half, err := sum(l[2])
		if err != nil || math.Abs(left-right) > half*(1+1e-9) {
			t.Errorf("%s: the left side is %.5g, the right %.5g (%v)", l[0], left, right, err)
		}
	}
	if left, _, err := sum("(12 V − 1.2 V) / 2.2 kΩ"); err != nil || math.Abs(left-4.909e-3) > 1e-6 {
		t.Errorf("the sum itself is wrong: %g, %v", left, err)
	}
}
