package config

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strings"

	"github.com/pelletier/go-toml/v2"
	"github.com/pelletier/go-toml/v2/unstable"
)

// A Problem is one thing wrong with a configuration file.
type Problem struct {
	Line int    // 0 if it is about something that is not there
	Key  string // with the tables it stands in
	Text string // what is wrong and what to do
}

// Problems is everything wrong with one file, in the order of its lines.
type Problems struct {
	File string
	List []Problem
}

// Error has one line a problem: file, line, key, what to do.
func (p *Problems) Error() string {
	var b strings.Builder
	for i, x := range p.List {
		if i > 0 {
			b.WriteByte('\n')
		}
		b.WriteString(p.File)
		if x.Line > 0 {
			fmt.Fprintf(&b, ":%d", x.Line)
		}
		b.WriteString(": ")
		if x.Key != "" {
			b.WriteString(x.Key + ": ")
		}
		b.WriteString(x.Text)
	}
	return b.String()
}

func (p *Problems) add(line int, key, format string, args ...any) {
	p.List = append(p.List, Problem{line, key, fmt.Sprintf(format, args...)})
}

// err is nil when nothing was found.
func (p *Problems) err() error {
	if len(p.List) == 0 {
		return nil
	}
	slices.SortStableFunc(p.List, func(a, b Problem) int { return cmp.Compare(a.Line, b.Line) })
	return p
}

// positions finds the line of each key: "scale.zero_counts", "sensor.2.period" for the
// third table of an array.
func positions(text []byte) map[string]int {
	at := map[string]int{}
	var p unstable.Parser
	p.Reset(text)
	table, seen := "", map[string]int{}
	for p.NextExpression() {
		e := p.Expression()
		var name []string
		line := 0
		for it := e.Key(); it.Next(); {
			name = append(name, string(it.Node().Data))
			if line == 0 {
				line = p.Shape(it.Node().Raw).Start.Line
			}
		}
		key := strings.Join(name, ".")
		switch e.Kind {
		case unstable.Table:
			table = key
		case unstable.ArrayTable:
			table = fmt.Sprintf("%s.%d", key, seen[key])
			seen[key]++
		case unstable.KeyValue:
			if table != "" {
				key = table + "." + key
			}
			at[key] = line
			continue
		}
		at[table] = line
	}
	return at
}

// decode reads text into raw and collects what TOML itself and unknown keys have to say.
func decode(text []byte, raw any, p *Problems) {
	d := toml.NewDecoder(bytes.NewReader(text))
	d.DisallowUnknownFields()
	err := d.Decode(raw)
	var unknown *toml.StrictMissingError
	var broken *toml.DecodeError
	switch {
	case errors.As(err, &unknown):
		for _, e := range unknown.Errors {
			line, _ := e.Position()
			key := e.Key()
			text := "is not a key of frostline"
			if s := suggest(raw, key); s != "" {
				text += fmt.Sprintf("; did you mean %s?", s)
			} else {
				text += "; frostline check --reference prints all of them"
			}
			p.add(line, strings.Join(key, "."), "%s", text)
		}
	case errors.As(err, &broken):
		line, _ := broken.Position()
		key, text := broken.Key(), strings.TrimPrefix(broken.Error(), "toml: ")
		if len(key) == 1 && strings.HasPrefix(text, "cannot decode") { // values are taken as they stand, so a table was wanted
			form := "[" + key[0] + "]"
			if tableType(reflect.TypeOf(raw).Elem(), key[0]).Kind() == reflect.Slice {
				form = "[" + form + "]"
			}
			text = "is a table: write " + form + ", and its keys on the lines below"
		}
		p.add(line, strings.Join(key, "."), "%s", text)
	case err != nil:
		p.add(0, "", "%v", err)
	}
}
