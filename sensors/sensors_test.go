package sensors

import (
	"encoding/json"
	"go/ast"
	"go/parser"
	"go/token"
	"regexp"
	"strconv"
	"testing"
	"time"
)

func TestEveryChannelIsKnownOnceAndSaysItsUnit(t *testing.T) {
	f, err := parser.ParseFile(token.NewFileSet(), "sensors.go", nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	named := map[Channel]bool{}
	ast.Inspect(f, func(n ast.Node) bool {
		if v, ok := n.(*ast.ValueSpec); ok {
			if id, ok := v.Type.(*ast.Ident); ok && id.Name == "Channel" {
				text, err := strconv.Unquote(v.Values[0].(*ast.BasicLit).Value)
				if err != nil {
					t.Fatal(err)
				}
				named[Channel(text)] = true
			}
		}
		return true
	})
	unit := regexp.MustCompile(`_(counts|v|c|kpa|pct|s|b|n)$`)
	for _, ch := range Known() {
		if !named[ch] {
			t.Errorf("%s stands twice in Known, or is no constant", ch)
		}
		delete(named, ch)
		if !ch.IsSwitch() && !unit.MatchString(string(ch)) {
			t.Errorf("%s is neither a switch nor does a unit end its name", ch)
		}
		if ch.IsSwitch() && ch.IsTemp() {
			t.Errorf("%s is a switch and a thermometer", ch)
		}
	}
	for ch := range named {
		t.Errorf("Known does not list %s", ch)
	}
}

func TestNothingIsTrustedByAccident(t *testing.T) {
	if (Reading{}).Quality != Missing || Fault("crc").Quality != Bad || Of(0).Quality != Good {
		t.Error("the zero reading is missing, a fault is bad, a value is good")
	}
	for _, q := range []Quality{Missing, Bad, Suspect, Good} {
		b, err := json.Marshal(q)
		var back Quality
		if err != nil || json.Unmarshal(b, &back) != nil || back != q {
			t.Errorf("%v became %s and %v, %v", q, b, back, err)
		}
	}
	q := Good
	if err := json.Unmarshal([]byte(`"excellent"`), &q); err != nil || q != Missing {
		t.Errorf("a word nobody knows reads as %v, %v; want missing", q, err)
	}
}

func TestAWiringFindsItsChannels(t *testing.T) {
	w := Wiring{{GasV, time.Second}, {CabinC, 10 * time.Second}}
	if w.Index(CabinC) != 1 || w.Index(BaroKPa) != -1 {
		t.Errorf("cabin at %d, barometer at %d", w.Index(CabinC), w.Index(BaroKPa))
	}
}
