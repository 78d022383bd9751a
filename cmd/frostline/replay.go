package main

import (
	"bufio"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"syscall"
	"time"

	"frostline/config"
	"frostline/daemon/core"
)

const replayExamples = `  frostline replay --config van.toml night.csv.gz
  frostline replay --config van.toml --events - boot-1.csv.gz boot-2.csv.gz
  frostline replay --config van.toml --estimates est.csv --every 10 night.csv.gz
`

// replay is one run over recordings: each file a boot, the state carried over.
type replay struct {
	w       world
	cfg     *config.Config
	core    *core.Core
	rejudge bool
	est     *estimatesCSV
	events  *json.Encoder
	rows    uint64
	damaged int
	nextEst time.Duration
	every   time.Duration
	shows   *progress
}

// damagedSaid is how many damaged lines of a recording are named.
const damagedSaid = 20

func replayCmd(ctx context.Context, w world, fs *flag.FlagSet, args []string) error {
	conf := fs.String("config", "", "configuration `file` of the van")
	estTo := fs.String("estimates", "", "write estimates as CSV to this `file`, - for standard output")
	eventsTo := fs.String("events", "", "write events as JSON lines to this `file`, - for standard output")
	every := fs.Float64("every", 60, "`seconds` of recording time between two rows of estimates")
	rejudge := fs.Bool("rejudge", false, "judge with another configuration than the recording was made with")
	files, err := parse(fs, args)
	switch {
	case err != nil:
		return err
	case *conf == "":
		return usagef("--config is missing; a recording is raw and needs the van it was made in")
	case len(files) == 0:
		return usagef("name at least one recording")
	case !(*every >= 0.001 && *every <= 1e6):
		return usagef("--every must lie between 0.001 and 1000000 seconds")
	}
	cfg, err := config.Load(*conf)
	if err != nil {
		return err
	}
	r := &replay{w: w, cfg: cfg, core: core.New(cfg.Core), rejudge: *rejudge, shows: newProgress(w.err),
		every: time.Duration(*every * float64(time.Second))}
	if err := apart([]string{*estTo, *eventsTo}, append(files, *conf)); err != nil {
		return err
	}
	var outs []*output
	if *estTo != "" {
		out, err := create(w, *estTo)
		if err != nil {
			return err
		}
		r.est = newEstimatesCSV(out)
		outs = append(outs, out)
	}
	if *eventsTo != "" {
		out, err := create(w, *eventsTo)
		if err != nil {
			return err
		}
		r.events = json.NewEncoder(out)
		outs = append(outs, out)
	}
	for i, f := range files {
		if err = r.file(ctx, f, i); err != nil {
			break
		}
	}
	for _, out := range outs {
		err = cmp.Or(err, out.Close())
	}
	if err != nil {
		return err
	}
	fmt.Fprintf(w.err, "%d ticks judged, %d damaged lines skipped\n", r.rows, r.damaged)
	return nil
}

// apart refuses to write over what is read, and two outputs into one file.
func apart(outs, ins []string) error {
	for i, out := range outs {
		if out == "" {
			continue
		}
		if i > 0 && oneFile(out, outs[i-1]) {
			return usagef("%s cannot take both; name two files", out)
		}
		to, err := os.Stat(out)
		if err != nil {
			continue // it is not there yet
		}
		for _, in := range ins {
			if from, err := os.Stat(in); err == nil && from.Mode().IsRegular() && os.SameFile(from, to) {
				return usagef("%s would be written over %s; name another file", out, in)
			}
		}
	}
	return nil
}

// oneFile reports whether two outputs would write over each other, however they are spelt.
// A device or a pipe takes both, as it was named twice on purpose; of - one was meant.
func oneFile(a, b string) bool {
	if a == "-" || b == "-" {
		return a == b
	}
	at, errA := os.Stat(a)
	bt, errB := os.Stat(b)
	if errA == nil && errB == nil {
		return at.Mode().IsRegular() && os.SameFile(at, bt)
	}
	return errA != nil && errB != nil && place(a) == place(b) // or one of them is there and the other is not
}

// place is where a file that is not there yet comes to lie.
func place(name string) string {
	if dir, err := filepath.EvalSymlinks(filepath.Dir(name)); err == nil {
		name = filepath.Join(dir, filepath.Base(name))
	}
	if abs, err := filepath.Abs(name); err == nil {
		name = abs
	}
	return name
}

// output is a file that is written, or standard output.
type output struct {
	*bufio.Writer
	file *os.File // nil for standard output
}

func create(w world, name string) (*output, error) {
	if name == "-" {
		return &output{Writer: bufio.NewWriter(w.out)}, nil
	}
	f, err := os.Create(name)
	if err != nil {
		return nil, err
	}
	return &output{bufio.NewWriterSize(f, 64<<10), f}, nil
}

// keep puts what was written on the disk.
func (o *output) keep() error {
	err := o.Flush()
	if err != nil || o.file == nil {
		return err
	}
	if err = o.file.Sync(); errors.Is(err, syscall.EINVAL) {
		return nil // a pipe has no disk
	}
	return err
}

// Close flushes and closes. The first error is the one to tell: a writer that failed says it again.
func (o *output) Close() error {
	err := o.Flush()
	if o.file == nil {
		return err
	}
	return cmp.Or(err, o.file.Close())
}

// file replays one recording. index tells boots apart whose files do not.
func (r *replay) file(ctx context.Context, name string, index int) error {
	f, err := os.Open(name)
	if err != nil {
		return err
	}
	defer f.Close()
	st, err := f.Stat()
	if err != nil {
		return err
	}
	read := &counter{r: f}
	d, err := core.NewDecoder(read, r.cfg.Core.Wiring)
	if err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	if err := r.header(name, d.Header(), index); err != nil {
		return err
	}
	r.nextEst = 0
	damagedHere := 0
	defer r.shows.end()
	for ctx.Err() == nil {
		in, err := d.Next()
		var damaged *core.LineError
		switch {
		case errors.Is(err, io.EOF):
			return nil
		case errors.As(err, &damaged):
			r.damaged++
			damagedHere++
			r.shows.end()
			switch {
			case damagedHere < damagedSaid:
				fmt.Fprintf(r.w.err, "%s: %v\n", name, damaged)
			case damagedHere == damagedSaid:
				fmt.Fprintf(r.w.err, "%s: %v; further damaged lines are only counted\n", name, damaged)
			}
			continue
		case err != nil:
			return fmt.Errorf("%s: %w; what came before it has been judged", name, err)
		}
		if in.Boot == "" {
			in.Boot = fmt.Sprintf("%s-%d", filepath.Base(name), index)
		}
		if err := r.step(in); err != nil {
			return err
		}
		r.shows.at(filepath.Base(name), float64(read.n)/float64(max(st.Size(), 1)))
	}
	return fmt.Errorf("%s: stopped after %d ticks: %w", name, r.rows, ctx.Err())
}

func (r *replay) header(name string, h core.Header, index int) error {
	for _, ch := range h.Unwired(r.cfg.Core.Wiring) {
		fmt.Fprintf(r.w.err, "%s: channel %s is not wired in the configuration; its values are not judged\n", name, ch)
	}
	if h.Config != "" && h.Config != r.cfg.Hash && !r.rejudge {
		return fmt.Errorf("%s: recorded under configuration %s, this one is %s; give --rejudge to judge it anew", name, h.Config, r.cfg.Hash)
	}
	if index == 0 && h.Checkpoint != nil {
		if err := r.core.Restore(h.Checkpoint); err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
	}
	return nil
}

func (r *replay) step(in core.Input) error {
	s := r.core.Step(in)
	r.rows++
	if r.events != nil {
		for i := range s.Events {
			if err := r.events.Encode(s.Events[i]); err != nil {
				return fmt.Errorf("events: %w", err)
			}
		}
	}
	if r.est != nil && in.Stamp.Up >= r.nextEst {
		r.nextEst = in.Stamp.Up - in.Stamp.Up%r.every + r.every
		return r.est.row(s)
	}
	return nil
}
