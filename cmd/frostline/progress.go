package main

import (
	"fmt"
	"io"
	"time"
)

// progressEvery is how often a terminal is told.
const progressEvery = 200 * time.Millisecond

// progress says in one line of a terminal how far long work is. Elsewhere it says nothing.
type progress struct {
	out  io.Writer // nil where nobody looks
	next time.Time
	said bool
}

func newProgress(out io.Writer) *progress {
	if !isTerminal(out) {
		out = nil
	}
	return &progress{out: out}
}

// at says that so much of what is done, from 0 to 1.
func (p *progress) at(what string, frac float64) {
	if p.out == nil {
		return
	}
	if now := time.Now(); now.After(p.next) {
		p.next, p.said = now.Add(progressEvery), true
		fmt.Fprintf(p.out, "\r\x1b[K%s %.0f %%", what, 100*frac)
	}
}

// end clears the line, for what is said next.
func (p *progress) end() {
	if p.said {
		p.said = false
		fmt.Fprint(p.out, "\r\x1b[K")
	}
}

// counter counts what was read of a file.
type counter struct {
	r io.Reader
	n int64
}

func (c *counter) Read(b []byte) (int, error) {
	n, err := c.r.Read(b)
	c.n += int64(n)
	return n, err
}
