package daemon

import (
	"encoding/json"
	"errors"
	"go/ast"
	"go/parser"
	"go/token"
	"io"
	"io/fs"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// layers says which of our packages each package may import directly. Imports point down:
// the order is the layer diagram of DEVELOPERS.md from the bottom up.
var layers = []struct {
	pkg  string
	pure bool
	may  []string
}{
	{"sensors", true, nil},
	{"daemon/lpg", true, nil},
	{"daemon/show", true, []string{"sensors", "daemon/lpg"}},
	{"daemon/supply", true, []string{"daemon/lpg"}},
	{"daemon/estimate", true, []string{"sensors", "daemon/lpg", "daemon/supply"}},
	{"daemon/nights", true, []string{"sensors", "daemon/lpg", "daemon/supply", "daemon/estimate", "daemon/show"}},
	{"alerts", true, []string{"sensors", "daemon/estimate", "daemon/nights", "daemon/show"}},
	{"daemon/core", true, []string{"sensors", "daemon/lpg", "daemon/show", "daemon/supply", "daemon/estimate", "daemon/nights", "alerts"}},
	{"sensors/hw", false, []string{"sensors"}},
	{"sensors/sim", false, []string{"sensors", "daemon/lpg"}},
	{"alerts/announce", false, []string{"sensors", "daemon/estimate", "daemon/nights", "daemon/show", "alerts", "daemon/core"}},
	{"daemon/history", false, []string{"sensors", "daemon/estimate", "daemon/nights", "alerts", "daemon/core"}},
	{"daemon/web", false, []string{"sensors", "daemon/estimate", "daemon/nights", "daemon/show", "alerts", "daemon/core"}},
	{"daemon", false, []string{"sensors", "daemon/estimate", "daemon/core"}},
	{"config", false, []string{"sensors", "daemon/lpg", "daemon/supply", "daemon/estimate", "daemon/nights", "alerts", "daemon/core", "sensors/hw"}},
	{"cmd/frostline", false, []string{"*"}},
}

// worldly is what the pure packages must not touch: files, networks, logs, locks, clocks
// that cancel, and randomness that is not made from a seed.
var worldly = []string{"os", "os/exec", "os/signal", "net", "net/http", "log", "log/slog", "sync", "sync/atomic",
	"context", "math/rand", "syscall", "unsafe", "testing"}

func TestLayers(t *testing.T) {
	cmd := exec.Command("go", "list", "-json=ImportPath,Imports", "./...")
	cmd.Dir = ".."
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("go list: %v", err)
	}
	var seen []string
	for dec := json.NewDecoder(strings.NewReader(string(out))); ; {
		var p struct {
			ImportPath string
			Imports    []string
		}
		if err := dec.Decode(&p); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			t.Fatal(err)
		}
		name := strings.TrimPrefix(p.ImportPath, "frostline/")
		seen = append(seen, name)
		i := slices.IndexFunc(layers, func(l struct {
			pkg  string
			pure bool
			may  []string
		}) bool {
			return l.pkg == name
		})
		if i < 0 {
			t.Errorf("package %s is in no layer; a new folder needs a place in this table", name)
			continue
		}
		l := layers[i]
		for _, imp := range p.Imports {
			if ours, ok := strings.CutPrefix(imp, "frostline/"); ok && !slices.Contains(l.may, ours) && !slices.Contains(l.may, "*") {
				t.Errorf("%s imports %s: its layer may import only %v", name, ours, l.may)
			}
			if l.pure && slices.Contains(worldly, imp) {
				t.Errorf("%s is pure and imports %s", name, imp)
			}
		}
	}
	for _, l := range layers {
		if !slices.Contains(seen, l.pkg) {
			t.Errorf("package %s of the table does not exist", l.pkg)
		}
	}
}

// sources parses the files of a package that are not tests.
func sources(t *testing.T, pkg string) (*token.FileSet, map[string]*ast.File) {
	t.Helper()
	fset, files := token.NewFileSet(), map[string]*ast.File{}
	names, err := filepath.Glob(filepath.Join("..", pkg, "*.go"))
	if err != nil || len(names) == 0 {
		t.Fatalf("no files in %s: %v", pkg, err)
	}
	for _, name := range names {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		f, err := parser.ParseFile(fset, name, nil, parser.ParseComments)
		if err != nil {
			t.Fatal(err)
		}
		files[name] = f
	}
	return fset, files
}

// clockReaders are the functions of package time that ask the machine.
var clockReaders = []string{"Now", "Since", "Until", "Sleep", "After", "AfterFunc", "Tick", "NewTimer", "NewTicker", "Local"}

func TestPureCodeReadsNoClock(t *testing.T) {
	for _, l := range layers {
		if !l.pure {
			continue
		}
		fset, files := sources(t, l.pkg)
		for _, f := range files {
			for _, use := range clockUses(f) {
				t.Errorf("%s: time.%s in a pure package; time comes in with the Stamp", fset.Position(use.Pos()), use.Sel.Name)
			}
		}
	}
	f, err := parser.ParseFile(token.NewFileSet(), "x.go", "package x\nimport \"time\"\nvar _ = time.Now()", 0)
	if err != nil || len(clockUses(f)) != 1 {
		t.Error("the scan would not notice time.Now")
	}
}

// TestPureCodeStartsNoGoroutine is one half of what .ci/test relies on where it runs tests
// without the race detector. The simulated van is no part of the program's pure half, and as
// single-minded.
func TestPureCodeStartsNoGoroutine(t *testing.T) {
	for _, l := range layers {
		if !l.pure && l.pkg != "sensors/sim" {
			continue
		}
		fset, files := sources(t, l.pkg)
		for _, f := range files {
			for _, at := range goroutines(f) {
				t.Errorf("%s: a goroutine in a pure package; whoever calls may start one", fset.Position(at))
			}
		}
	}
	f, err := parser.ParseFile(token.NewFileSet(), "x.go", "package x\nfunc f() { go f() }", 0)
	if err != nil || len(goroutines(f)) != 1 {
		t.Error("the scan would not notice a goroutine")
	}
}

func goroutines(f *ast.File) (starts []token.Pos) {
	ast.Inspect(f, func(n ast.Node) bool {
		if g, ok := n.(*ast.GoStmt); ok {
			starts = append(starts, g.Pos())
		}
		return true
	})
	return starts
}

// TestPureCodeKeepsNothingBetweenCalls is the other half: what a package holds is never written,
// so two that call it at once share nothing that changes.
func TestPureCodeKeepsNothingBetweenCalls(t *testing.T) {
	for _, l := range layers {
		if !l.pure && l.pkg != "sensors/sim" {
			continue
		}
		fset, files := sources(t, l.pkg)
		held := map[string]bool{}
		for _, f := range files {
			holds(f, held)
		}
		for _, f := range files {
			for _, at := range writes(f, held) {
				t.Errorf("%s: a variable of the package, or one of its name, is written", fset.Position(at))
			}
		}
	}
	f, err := parser.ParseFile(token.NewFileSet(), "x.go", "package x\nvar a, b, c = 1, []int{1}, map[int]int{}\nfunc f() { a++; b[0] = 2; delete(c, 1); d := a; _ = d }", 0)
	held := map[string]bool{}
	if err == nil {
		holds(f, held)
	}
	if err != nil || len(held) != 3 || len(writes(f, held)) != 3 {
		t.Error("the scan would not notice a variable that is written")
	}
}

// holds notes the variables of a package that a file declares.
func holds(f *ast.File, held map[string]bool) {
	for _, d := range f.Decls {
		g, ok := d.(*ast.GenDecl)
		if !ok || g.Tok != token.VAR {
			continue
		}
		for _, spec := range g.Specs {
			for _, name := range spec.(*ast.ValueSpec).Names {
				held[name.Name] = name.Name != "_"
			}
		}
	}
}

// writes are the places where something is written whose name begins with a held variable's.
func writes(f *ast.File, held map[string]bool) (at []token.Pos) {
	note := func(e ast.Expr) {
		for {
			switch x := e.(type) {
			case *ast.IndexExpr:
				e = x.X
			case *ast.SelectorExpr:
				e = x.X
			case *ast.StarExpr:
				e = x.X
			case *ast.ParenExpr:
				e = x.X
			case *ast.Ident:
				if held[x.Name] {
					at = append(at, x.Pos())
				}
				return
			default:
				return
			}
		}
	}
	ast.Inspect(f, func(n ast.Node) bool {
		switch s := n.(type) {
		case *ast.AssignStmt:
			for _, e := range s.Lhs {
				note(e)
			}
		case *ast.IncDecStmt:
			note(s.X)
		case *ast.CallExpr:
			if name, ok := s.Fun.(*ast.Ident); ok && len(s.Args) > 0 && slices.Contains([]string{"delete", "clear", "copy"}, name.Name) {
				note(s.Args[0])
			}
		}
		return true
	})
	return at
}

func clockUses(f *ast.File) (uses []*ast.SelectorExpr) {
	ast.Inspect(f, func(n ast.Node) bool {
		if s, ok := n.(*ast.SelectorExpr); ok {
			if x, ok := s.X.(*ast.Ident); ok && x.Name == "time" && slices.Contains(clockReaders, s.Sel.Name) {
				uses = append(uses, s)
			}
		}
		return true
	})
	return uses
}

// units are the endings that say in what a float is.
var units = []string{"Kg", "KgPerH", "GPerH", "KgPerM3", "KgPerK", "GPerK", "PPMPerK", "C", "K", "KPa", "V", "S", "H", "Min", "M", "M2",
	"L", "W", "KW", "WPerK", "WPerM2K", "MVPerV", "JPerK", "KJPerKg", "MJPerKg", "Ohm", "Ppm", "PctLEL", "Pct", "Pct30min", "Frac", "Ratio",
	"Counts", "CountsPerKg", "DegreeHours", "N", "MJ", "Wh", "Ah", "A"}

// unitless are the fields whose unit is their owner's or that are bare numbers by nature.
var unitless = map[string]string{
	"estimate.Quantity.Value":     "in the unit of the field that holds it",
	"estimate.Quantity.Low":       "in the unit of the field that holds it",
	"estimate.Quantity.High":      "in the unit of the field that holds it",
	"sensors.Reading.Value":       "in the unit that ends the channel's name",
	"estimate.ChannelState.Value": "in the unit that ends the channel's name",
	"estimate.Settled.Mean":       "in the unit that ends the channel's name",
	"estimate.Settled.SD":         "in the unit that ends the channel's name",
	"estimate.Settled.Spread":     "in the unit that ends the channel's name",
	"core.Bucket.Min":             "in the unit that ends the series' name",
	"core.Bucket.Mean":            "in the unit that ends the series' name",
	"core.Bucket.Max":             "in the unit that ends the series' name",
	"estimate.Gas.CurveA":         "a coefficient of a fit",
	"estimate.Gas.CurveB":         "an exponent of a fit",
	"nights.Tonight.NightsLeft":   "nights",
	"nights.Tonight.FuelOdds":     "odds, 0 to 1",
	"nights.Tonight.PressureOdds": "odds, 0 to 1",
	"estimate.Happening.Seconds":  "the word of the events file, kept stable",
}

func TestEveryNumberSaysItsUnit(t *testing.T) {
	for _, l := range layers {
		if !l.pure || l.pkg == "daemon/show" { // show is told the unit with each number
			continue
		}
		fset, files := sources(t, l.pkg)
		for _, f := range files {
			for _, d := range f.Decls {
				g, ok := d.(*ast.GenDecl)
				if !ok {
					continue
				}
				for _, spec := range g.Specs {
					ts, ok := spec.(*ast.TypeSpec)
					if !ok || !ts.Name.IsExported() {
						continue
					}
					for _, bad := range fieldsWithoutUnit(ts) {
						key := f.Name.Name + "." + ts.Name.Name + "." + bad.Name
						if _, ok := unitless[key]; !ok {
							t.Errorf("%s: %s is a number without a unit in its name", fset.Position(bad.Pos()), key)
						}
					}
				}
			}
		}
	}
	f, err := parser.ParseFile(token.NewFileSet(), "x.go", "package x\ntype X struct { Mass float64; FuelKg float64 }", 0)
	if err != nil || len(fieldsWithoutUnit(f.Decls[0].(*ast.GenDecl).Specs[0].(*ast.TypeSpec))) != 1 {
		t.Error("the scan would not notice a number without a unit")
	}
}

func fieldsWithoutUnit(ts *ast.TypeSpec) (bad []*ast.Ident) {
	s, ok := ts.Type.(*ast.StructType)
	if !ok {
		return nil
	}
	for _, field := range s.Fields.List {
		kind := field.Type
		if p, ok := kind.(*ast.StarExpr); ok {
			kind = p.X
		}
		name := ""
		switch k := kind.(type) {
		case *ast.Ident:
			name = k.Name
		case *ast.SelectorExpr:
			name = k.Sel.Name
		}
		if name != "float64" && name != "float32" && name != "Quantity" {
			continue
		}
		for _, n := range field.Names {
			if n.IsExported() && !slices.ContainsFunc(units, func(u string) bool { return strings.HasSuffix(n.Name, u) }) {
				bad = append(bad, n)
			}
		}
	}
	return bad
}

func TestEveryPackageSaysOnceWhatItIs(t *testing.T) {
	for _, l := range layers {
		_, files := sources(t, l.pkg)
		docs := 0
		for _, f := range files {
			if f.Doc != nil && strings.TrimSpace(f.Doc.Text()) != "" {
				docs++
			}
		}
		if docs != 1 {
			t.Errorf("%s has %d package comments, want one", l.pkg, docs)
		}
	}
}

// TestNothingElseLiesInTheTree keeps the top level to what DEVELOPERS.md describes.
func TestNothingElseLiesInTheTree(t *testing.T) {
	known := []string{".ci", ".git", ".gitignore", "CHANGELOG.md", "DEVELOPERS.md", "LICENSE", "README.md", "SECURITY.md", "alerts", "cmd",
		"config", "daemon", "go.mod", "go.sum", "sensors", "systemd", "testdata"}
	err := filepath.WalkDir("..", func(path string, d fs.DirEntry, err error) error {
		if err != nil || path == ".." {
			return err
		}
		name := filepath.Base(path)
		if filepath.Dir(path) == ".." && !slices.Contains(known, name) && name != "frostline" {
			t.Errorf("%s is not part of the layout", name)
		}
		if d.IsDir() && slices.Contains([]string{"utils", "common", "helpers", "models", "types", "internal", "pkg"}, name) && filepath.Dir(path) != "../.git" {
			t.Errorf("%s: a package earns its folder by hiding something", path)
		}
		if d.IsDir() && name == ".git" {
			return filepath.SkipDir
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}
