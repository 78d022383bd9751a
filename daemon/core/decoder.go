package core

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"

	"frostline/sensors"
)

// maxLine bounds one line; a longer one is damage. Checkpoints stand in the header and may
// be longer than any row.
const (
	maxLine   = 64 << 10
	maxHeader = 4 << 20
)

// Decoder reads a recording, plain or gzip, row by row. Damaged lines come back as a
// [*LineError] and do not end the reading; anything else does.
type Decoder struct {
	r     *bufio.Reader
	line  int
	head  Header
	boot  string
	cols  []column
	cells [][]byte
	read  []sensors.Reading
	words map[string]string // fault words seen, so that rows do not allocate them anew
	last  time.Duration
	any   bool
}

// column is what one cell of a row means.
type column struct {
	kind  byte // 'u' up, 'w' wall, 'c' command, 'b' boot, 'r' reading, '-' not wired
	index int  // of the reading
}

// NewDecoder reads the header. The readings it will fill lie in the order of w; columns
// that w lacks are skipped ([Header.Unwired] tells which), and a column with a name that is
// no channel at all is an [*UnknownChannels] error.
func NewDecoder(in io.Reader, w sensors.Wiring) (*Decoder, error) {
	r := bufio.NewReaderSize(in, maxLine)
	if magic, _ := r.Peek(2); bytes.Equal(magic, []byte{0x1f, 0x8b}) {
		z, err := gzip.NewReader(r)
		if err != nil {
			return nil, fmt.Errorf("recording: %w", err)
		}
		r = bufio.NewReaderSize(z, maxLine)
	}
	d := &Decoder{r: r, words: map[string]string{}, read: make([]sensors.Reading, len(w))}
	names, err := d.readHeader()
	if err != nil {
		return nil, fmt.Errorf("recording: line %d: %w", d.line, err)
	}
	d.boot = d.head.Boot
	return d, d.setColumns(names, w)
}

// Header is what the comment lines said.
func (d *Decoder) Header() Header { return d.head }

func (d *Decoder) readHeader() (names []string, err error) {
	for total := 0; ; {
		line, err := d.readLine(maxHeader - total)
		if err != nil {
			if errors.Is(err, io.EOF) {
				err = errors.New("ends before the header row; is this a recording?")
			}
			return nil, err
		}
		total += len(line)
		if d.line == 1 && string(line) != recordingMagic {
			return nil, fmt.Errorf("want %q first, got %.40q; is this a recording?", recordingMagic, line)
		}
		if !bytes.HasPrefix(line, []byte("#")) {
			return strings.Split(string(line), ","), nil
		}
		if err := d.comment(strings.TrimSpace(string(line[1:]))); err != nil {
			return nil, err
		}
	}
}

// comment takes one header line: a checkpoint, or fields parted by three blanks.
func (d *Decoder) comment(text string) error {
	if js, ok := strings.CutPrefix(text, "checkpoint:"); ok {
		js = strings.TrimSpace(js)
		if !json.Valid([]byte(js)) {
			return errors.New("checkpoint is not valid JSON; the recording cannot be started from it")
		}
		d.head.Checkpoint = json.RawMessage(js)
		return nil
	}
	for part := range strings.SplitSeq(text, "   ") {
		key, value, ok := strings.Cut(strings.TrimSpace(part), ":")
		if !ok {
			continue
		}
		for _, f := range d.head.fields() {
			if f.key == key {
				*f.text = strings.TrimSpace(value)
			}
		}
	}
	return nil
}

func (d *Decoder) setColumns(names []string, w sensors.Wiring) error {
	if len(names) < 2 || names[0] != "up_s" || names[1] != "wall" {
		return fmt.Errorf("recording: line %d: the header row must begin with up_s,wall", d.line)
	}
	var unknown []string
	seen := map[string]bool{}
	for _, name := range names {
		if seen[name] {
			return fmt.Errorf("recording: line %d: column %s stands twice", d.line, name)
		}
		seen[name] = true
		switch {
		case name == "up_s":
			d.cols = append(d.cols, column{kind: 'u'})
		case name == "wall":
			d.cols = append(d.cols, column{kind: 'w'})
		case name == "command":
			d.cols = append(d.cols, column{kind: 'c'})
		case name == "boot":
			d.cols = append(d.cols, column{kind: 'b'})
		case knownChannel(name):
			d.head.Columns = append(d.head.Columns, sensors.Channel(name))
			kind, i := byte('r'), w.Index(sensors.Channel(name))
			if i < 0 {
				kind = '-'
			}
			d.cols = append(d.cols, column{kind, i})
		default:
			unknown = append(unknown, name)
		}
	}
	if unknown != nil {
		return &UnknownChannels{unknown}
	}
	return nil
}

// Next reads one row. The readings of the input are the decoder's own and last until the
// next call. At the end it returns io.EOF; a recording cut off in the middle of a line or
// of its compression says so instead.
func (d *Decoder) Next() (Input, error) {
	for {
		line, err := d.readLine(maxLine)
		if err != nil {
			return Input{}, err
		}
		if len(line) == 0 {
			continue
		}
		in, err := d.row(line)
		if err != nil {
			return Input{}, &LineError{d.line, err}
		}
		return in, nil
	}
}

// readLine returns the next line without its end. A line that is too long is skipped and
// reported; a last line without an end may have lost digits and is not believed.
func (d *Decoder) readLine(limit int) ([]byte, error) {
	line, err := d.r.ReadSlice('\n')
	if errors.Is(err, bufio.ErrBufferFull) && limit > maxLine {
		long := append([]byte(nil), line...)
		for errors.Is(err, bufio.ErrBufferFull) && len(long) < limit {
			line, err = d.r.ReadSlice('\n')
			long = append(long, line...)
		}
		line = long
	}
	if len(line) > 0 {
		d.line++
	}
	switch {
	case err == nil:
		return bytes.TrimRight(line, "\r\n"), nil
	case errors.Is(err, bufio.ErrBufferFull):
		for errors.Is(err, bufio.ErrBufferFull) {
			_, err = d.r.ReadSlice('\n')
		}
		return nil, &LineError{d.line, fmt.Errorf("longer than %d bytes", limit)}
	case errors.Is(err, io.EOF) && len(line) == 0:
		return nil, io.EOF
	case errors.Is(err, io.EOF):
		return nil, &LineError{d.line, errors.New("cut off before its end")}
	}
	return nil, fmt.Errorf("recording ends early after line %d: %w", d.line, err)
}

func (d *Decoder) row(line []byte) (Input, error) {
	var err error
	if d.cells, err = splitCSV(line, d.cells); err != nil {
		return Input{}, err
	}
	if len(d.cells) != len(d.cols) {
		return Input{}, fmt.Errorf("%d cells, the header has %d", len(d.cells), len(d.cols))
	}
	in := Input{Boot: d.boot, Readings: d.read}
	clear(d.read)
	for i, c := range d.cols {
		cell := d.cells[i]
		switch c.kind {
		case 'u':
			in.Stamp.Up, err = parseUp(cell)
		case 'w':
			in.Stamp.Wall, err = ParseWall(string(cell))
		case 'b':
			if len(cell) > 0 && string(cell) != d.boot {
				in.Boot = string(cell)
			}
		case 'c':
			in.Command, err = parseCell(cell)
		case 'r':
			d.read[c.index], err = d.reading(cell)
		}
		if err != nil {
			return Input{}, err
		}
	}
	if d.any && in.Boot == d.boot && in.Stamp.Up <= d.last {
		return Input{}, fmt.Errorf("up_s %g does not follow %g", in.Stamp.UpS(), d.last.Seconds())
	}
	d.boot, d.last, d.any = in.Boot, in.Stamp.Up, true
	return in, nil
}

func parseCell(cell []byte) (*Command, error) {
	if len(cell) == 0 {
		return nil, nil
	}
	c, err := ParseCommand(cell)
	if err != nil {
		return nil, err
	}
	return &c, nil
}

func parseUp(cell []byte) (time.Duration, error) {
	v, err := parseNumber(cell)
	if err != nil || v < 0 || v > maxUpS {
		return 0, fmt.Errorf("up_s %.20q: want seconds since start", cell)
	}
	return UpFromS(v), nil
}

func (d *Decoder) reading(cell []byte) (sensors.Reading, error) {
	switch {
	case len(cell) == 0:
		return sensors.Reading{}, nil
	case cell[0] == '!':
		word, ok := d.words[string(cell[1:])]
		if !ok {
			if word = string(cell[1:]); !isWord(word) {
				return sensors.Reading{}, fmt.Errorf("fault %.40q is not one lower-case word", cell)
			}
			if len(d.words) < 100 { // a bound for nonsense
				d.words[word] = word
			}
		}
		return sensors.Fault(word), nil
	}
	v, err := parseNumber(cell)
	if err != nil {
		return sensors.Reading{}, err
	}
	return sensors.Of(v), nil
}

// parseNumber reads a plain decimal number: what a spreadsheet writes, no hexadecimal, no
// words.
func parseNumber(cell []byte) (float64, error) {
	for _, c := range cell {
		if (c < '0' || c > '9') && c != '-' && c != '+' && c != '.' && c != 'e' && c != 'E' {
			return 0, fmt.Errorf("%.40q is not a number", cell)
		}
	}
	v, err := strconv.ParseFloat(string(cell), 64)
	if err != nil || math.IsInf(v, 0) || math.IsNaN(v) {
		return 0, fmt.Errorf("%.40q is not a number", cell)
	}
	return v, nil
}
