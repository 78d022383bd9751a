package main

import (
	"cmp"
	"compress/gzip"
	"context"
	"flag"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"frostline/config"
	"frostline/daemon/core"
	"frostline/sensors"
	"frostline/sensors/hw"
)

const recordExamples = `  frostline record --config van.toml --out night.csv.gz
  frostline record --config van.toml --out ten-minutes.csv --for 10m --what "calibration"
`

func recordCmd(ctx context.Context, w world, fs *flag.FlagSet, args []string) error {
	conf := fs.String("config", defaultConfig, "configuration `file`")
	sysfs := fs.String("sysfs", "/sys", "`root` of sysfs")
	out := fs.String("out", "", "recording `file`, .gz for gzip")
	length := fs.Duration("for", 0, "`time` to record; 0 until Ctrl-C")
	what := fs.String("what", "", "`text` for the header: what is recorded")
	where := fs.String("where", "", "`text` for the header: where")
	words, err := parse(fs, args)
	switch {
	case err != nil:
		return err
	case *out == "":
		return usagef("--out is missing")
	case *length < 0:
		return usagef("--for must not be negative")
	case noWords(words) != nil:
		return noWords(words)
	}
	cfg, err := config.Load(*conf)
	if err != nil {
		return err
	}
	if len(cfg.Board) == 0 {
		return fmt.Errorf("%s: no sensor has a driver, so there is nothing to record", *conf)
	}
	// A night cannot be recorded again.
	if st, err := os.Stat(*out); err == nil && st.Mode().IsRegular() && st.Size() > 0 {
		return fmt.Errorf("%s: there is one already; name another file", *out)
	}
	board, err := hw.Open(hw.Options{Root: *sysfs, Wires: cfg.Board, Wiring: cfg.Core.Wiring, Log: w.log})
	if err != nil {
		return err
	}
	defer board.Close()
	h := core.NewHeader(cfg.Core.Wiring)
	h.What, h.Where, h.Config, h.Boot = *what, *where, cfg.Hash, newBoot()
	h.Started = core.FormatWall(time.Now())
	r, err := newRecorder(w, *out, h)
	if err != nil {
		return err
	}
	if *length > 0 {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, *length)
		defer cancel()
	}
	rows, err := recordRows(ctx, board, len(cfg.Core.Wiring), h.Boot, r)
	err = cmp.Or(err, r.Close())
	fmt.Fprintf(w.err, "%d rows in %s\n", rows, *out)
	return err
}

// recorder writes inputs to a recording, gzip by the file's name.
type recorder struct {
	enc *core.Encoder
	zip *gzip.Writer // nil in a plain file
	out *output
}

func newRecorder(w world, name string, h core.Header) (*recorder, error) {
	out, err := create(w, name)
	if err != nil {
		return nil, err
	}
	r := &recorder{out: out}
	var sink io.Writer = out
	if filepath.Ext(name) == ".gz" {
		r.zip = gzip.NewWriter(out)
		sink = r.zip
	}
	r.enc, err = core.NewEncoder(sink, h)
	return r, err
}

// keep puts what was recorded on the disk, in a form that can be read if nothing follows.
func (r *recorder) keep() error {
	err := r.enc.Flush()
	if err == nil && r.zip != nil {
		err = r.zip.Flush()
	}
	if err != nil {
		return err
	}
	return r.out.keep()
}

func (r *recorder) Close() error {
	err := r.enc.Flush()
	if r.zip != nil {
		err = cmp.Or(err, r.zip.Close())
	}
	return cmp.Or(err, r.out.Close())
}

// recordRows writes a row a second until the context ends.
func recordRows(ctx context.Context, board *hw.Board, width int, boot string, r *recorder) (rows int, err error) {
	readings := make([]sensors.Reading, width)
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return rows, nil
		case <-tick.C:
		}
		clear(readings)
		st, err := board.Read(ctx, readings)
		if err != nil {
			return rows, err
		}
		if err := r.enc.Encode(core.Input{Stamp: st, Boot: boot, Readings: readings}); err != nil {
			return rows, err
		}
		if rows%60 == 0 { // a cut loses a minute at most
			if err := r.keep(); err != nil {
				return rows, err
			}
		}
		rows++
	}
}
