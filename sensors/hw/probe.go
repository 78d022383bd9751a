package hw

import (
	"context"
	"fmt"
	"os"
	"time"

	"frostline/sensors"
)

// Found is what became of one wire, for a person who is looking for a loose one.
type Found struct {
	Wire    Wire
	Where   string          // its folder below the sysfs root, or its lines; empty if it was not found
	Raw     string          // what the kernel or the chip gave; empty if nothing was read
	Reading sensors.Reading // the value in the channel's unit, or the fault
	Err     error           // what went wrong; nil if it reads
	Means   string          // the fault in plain words; empty if it reads
	Do      string          // what to look at first; empty if it reads
}

// Means says in plain words what a fault of a wire is and what to look at first.
func Means(w Wire, word string) string {
	means, do := explain(w, word)
	if means == "" {
		return word
	}
	return means + "; " + do
}

// probeEvery is how often Probe looks whether all have answered.
const probeEvery = 20 * time.Millisecond

// Probe waits until every wire has answered once, or is seen to hang, or ctx ends, and says
// what was found, in the order of the wires. A board supply watch that does not exist is
// left out.
func (b *Board) Probe(ctx context.Context) []Found {
	tick := time.NewTicker(probeEvery)
	defer tick.Stop()
	for {
		b.mu.Lock()
		r, closed := b.rig, b.closed
		b.mu.Unlock()
		found, all := r.found()
		if all || closed {
			return found
		}
		select {
		case <-ctx.Done():
			return found
		case <-tick.C:
		}
	}
}

// found is the newest of every lead, and whether all have one.
func (r *rig) found() (found []Found, all bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	now := time.Now()
	all = true
	for _, l := range r.leads {
		f := Found{Wire: l.Wire, Where: l.heard.where, Raw: l.heard.raw, Reading: l.heard.reading, Err: l.heard.err}
		switch word := l.blocked(now); {
		case word != "":
			f = Found{Wire: l.Wire, Where: l.dev.place(), Reading: sensors.Fault(word), Err: l.blockedErr(word, now)}
		case l.heard.at.IsZero():
			all = false
			f.Reading, f.Err = sensors.Fault(timeout), fmt.Errorf("%s: no answer yet", l.name())
		case l.optional && f.Reading.Quality == sensors.Missing:
			continue
		}
		if f.Err != nil {
			f.Means, f.Do = explain(l.Wire, f.Reading.Fault)
		}
		found = append(found, f)
	}
	return found, all
}

func exists(path string) bool {
	_, err := os.Stat(path)
	return err == nil
}
