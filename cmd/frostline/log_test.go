package main

import (
	"bytes"
	"io"
	"strings"
	"testing"
)

func TestALogThatBlocksForEverHoldsNobody(t *testing.T) {
	r, out := io.Pipe() // nobody reads yet
	w := newLooseWriter(out)
	for range 10 * looseLines {
		if _, err := w.Write([]byte("a line\n")); err != nil {
			t.Fatal(err)
		}
	}
	if w.dropped.Load() == 0 {
		t.Error("nothing was dropped, so nothing was full")
	}
	var text bytes.Buffer
	done := make(chan struct{})
	go func() { defer close(done); io.Copy(&text, r) }()
	w.lines <- nil // waits for room, then ends the writer
	<-w.ended
	out.Close()
	<-done
	if !strings.Contains(text.String(), "log lines were dropped") {
		t.Error("the gap is not said")
	}
}
