package main

import (
	"fmt"
	"io"
	"sync/atomic"
	"time"
)

// looseWriter hands lines to a writer that may block for ever, as a full pipe to the
// journal does, without ever blocking whoever logs: the tick loop is among them. What does
// not fit is dropped and counted.
type looseWriter struct {
	lines   chan []byte
	dropped atomic.Int64
	ended   chan struct{}
}

const (
	looseLines = 256
	looseFlush = time.Second // at the end, for a writer that still takes lines
)

func newLooseWriter(out io.Writer) *looseWriter {
	w := &looseWriter{lines: make(chan []byte, looseLines), ended: make(chan struct{})}
	go func() {
		defer close(w.ended)
		for line := range w.lines {
			if line == nil {
				return
			}
			if n := w.dropped.Swap(0); n > 0 {
				fmt.Fprintf(out, "level=WARN msg=\"log lines were dropped\" lines=%d\n", n)
			}
			out.Write(line)
		}
	}()
	return w
}

// Write never blocks and never fails.
func (w *looseWriter) Write(line []byte) (int, error) {
	select {
	case w.lines <- append([]byte(nil), line...):
	default:
		w.dropped.Add(1)
	}
	return len(line), nil
}

// flush waits a moment for what is queued.
func (w *looseWriter) flush() {
	select {
	case w.lines <- nil:
	default:
		return
	}
	select {
	case <-w.ended:
	case <-time.After(looseFlush):
	}
}
