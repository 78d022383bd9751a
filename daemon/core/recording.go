package core

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"

	"frostline/sensors"
)

// recordingMagic is the first line of every recording; the number is the format's version.
const recordingMagic = "# frostline recording 1"

// Header says what a recording is of. All fields are optional text of one line.
type Header struct {
	What, Where, Who, Board, Why string
	Config                       string          // hash of the configuration the readings were judged with
	Boot                         string          // boot id of the rows, unless the boot column says otherwise
	Started                      string          // wall label of the first row, for people
	Checkpoint                   json.RawMessage // the core's state before the first row; nil at a cold start
	Columns                      []sensors.Channel
}

func (h *Header) fields() []struct {
	key  string
	text *string
} {
	return []struct {
		key  string
		text *string
	}{{"what", &h.What}, {"where", &h.Where}, {"who", &h.Who}, {"board", &h.Board},
		{"why", &h.Why}, {"config", &h.Config}, {"boot", &h.Boot}, {"started", &h.Started}}
}

// Encoder writes a recording: one row per tick, raw values only, so that it can be judged
// again with a better model. It streams and keeps nothing.
type Encoder struct {
	w    *bufio.Writer
	buf  []byte
	cols int
}

// NewEncoder writes the header for the channels of w and returns an encoder for its rows.
// The caller wraps out in gzip if it likes and closes both.
func NewEncoder(out io.Writer, h Header) (*Encoder, error) {
	e := &Encoder{w: bufio.NewWriterSize(out, 32<<10), cols: len(h.Columns)}
	fmt.Fprintln(e.w, recordingMagic)
	for _, f := range h.fields() {
		if *f.text != "" {
			fmt.Fprintf(e.w, "# %s: %s\n", f.key, oneLine(*f.text))
		}
	}
	if len(h.Checkpoint) > 0 {
		var flat bytes.Buffer
		if err := json.Compact(&flat, h.Checkpoint); err != nil {
			return nil, fmt.Errorf("recording header: checkpoint: %w", err)
		}
		fmt.Fprintf(e.w, "# checkpoint: %s\n", flat.Bytes())
	}
	e.w.WriteString("up_s,wall")
	for _, c := range h.Columns {
		e.w.WriteByte(',')
		e.w.WriteString(string(c))
	}
	_, err := e.w.WriteString(",command,boot\n")
	return e, err
}

// oneLine keeps a header text on its line and away from the three blanks that part fields.
func oneLine(s string) string { return strings.Join(strings.Fields(s), " ") }

// Encode writes one row. It fails if the input has other columns than the header or a
// fault that is not one word.
func (e *Encoder) Encode(in Input) error {
	if len(in.Readings) != e.cols {
		return fmt.Errorf("recording: row has %d readings, the header %d", len(in.Readings), e.cols)
	}
	b := appendNumber(e.buf[:0], in.Stamp.UpS())
	b = append(b, ',')
	if !in.Stamp.Wall.IsZero() {
		b = in.Stamp.Wall.UTC().AppendFormat(b, wallLayout)
	}
	for _, r := range in.Readings {
		b = append(b, ',')
		switch r.Quality {
		case sensors.Missing:
		case sensors.Bad:
			if !isWord(r.Fault) {
				return fmt.Errorf("recording: fault %q is not one lower-case word", r.Fault)
			}
			b = append(append(b, '!'), r.Fault...)
		default:
			b = appendNumber(b, r.Value)
		}
	}
	b = append(b, ',')
	if in.Command != nil {
		text, err := json.Marshal(in.Command)
		if err != nil {
			return fmt.Errorf("recording: command: %w", err)
		}
		b = append(b, '"')
		b = append(b, bytes.ReplaceAll(text, []byte{'"'}, []byte{'"', '"'})...)
		b = append(b, '"')
	}
	b = append(append(append(b, ','), oneLine(strings.Map(bootRune, in.Boot))...), '\n')
	e.buf = b
	_, err := e.w.Write(b)
	return err
}

// Flush hands buffered rows to the writer below.
func (e *Encoder) Flush() error { return e.w.Flush() }

func bootRune(r rune) rune {
	if r == ',' || r == '"' || r < ' ' {
		return '_'
	}
	return r
}

// appendNumber writes the shortest text that reads back to the same value, without an
// exponent where people would not expect one.
func appendNumber(b []byte, v float64) []byte {
	if a := math.Abs(v); a != 0 && (a < 1e-6 || a >= 1e15) {
		return strconv.AppendFloat(b, v, 'e', -1, 64)
	}
	return strconv.AppendFloat(b, v, 'f', -1, 64)
}

func isWord(s string) bool {
	if s == "" || len(s) > 40 {
		return false
	}
	for _, r := range []byte(s) {
		if (r < 'a' || r > 'z') && (r < '0' || r > '9') && r != '-' {
			return false
		}
	}
	return true
}

// A LineError is a damaged line of a recording. The line has been skipped and the decoder
// can go on; the caller must say so aloud.
type LineError struct {
	Line int
	Err  error
}

func (e *LineError) Error() string { return fmt.Sprintf("line %d: %v; skipped", e.Line, e.Err) }

// Unwrap returns what was wrong with the line.
func (e *LineError) Unwrap() error { return e.Err }

// UnknownChannels is the error of a recording that holds columns this program has no
// channel for. Nothing of it has been judged.
type UnknownChannels struct{ Names []string }

func (e *UnknownChannels) Error() string {
	return fmt.Sprintf("recording: column(s) %s are not channels of this program; rename or remove them (known: %s)",
		strings.Join(e.Names, ", "), joinChannels(sensors.Known()))
}

func joinChannels(cs []sensors.Channel) string {
	names := make([]string, len(cs))
	for i, c := range cs {
		names[i] = string(c)
	}
	return strings.Join(names, ", ")
}

// NewHeader is a header whose columns are the channels of a wiring.
func NewHeader(w sensors.Wiring) Header {
	h := Header{Columns: make([]sensors.Channel, len(w))}
	for i, x := range w {
		h.Columns[i] = x.Channel
	}
	return h
}

// Unwired lists the columns of the header that w does not have: their values are not
// judged.
func (h Header) Unwired(w sensors.Wiring) []sensors.Channel {
	var out []sensors.Channel
	for _, c := range h.Columns {
		if w.Index(c) < 0 {
			out = append(out, c)
		}
	}
	return out
}

// knownChannel reports whether the name is a channel of this program.
func knownChannel(name string) bool {
	return slices.Contains(sensors.Known(), sensors.Channel(name))
}

// splitCSV parts one line of RFC 4180. Rows never hold line breaks, so a torn quote can
// only spoil its own line.
func splitCSV(line []byte, into [][]byte) ([][]byte, error) {
	into = into[:0]
	if bytes.IndexByte(line, '"') < 0 {
		for {
			i := bytes.IndexByte(line, ',')
			if i < 0 {
				return append(into, line), nil
			}
			into = append(into, line[:i])
			line = line[i+1:]
		}
	}
	cells, err := csv.NewReader(bytes.NewReader(line)).Read()
	if err != nil {
		return nil, fmt.Errorf("csv: %w", err)
	}
	for _, c := range cells {
		into = append(into, []byte(c))
	}
	return into, nil
}
