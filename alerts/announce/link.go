package announce

import (
	"errors"
	"fmt"
	"sync"
	"time"

	"frostline/daemon/show"
	"frostline/sensors"
)

// fault is why a message did not get through, in words for a person and without secrets.
type fault struct {
	text  string
	kind  faultKind
	after time.Duration // the other end asked to be left alone for so long
}

type faultKind uint8

const (
	away    faultKind = iota // it may get through later
	refused                  // the other end does not want this message, or not from us
	partly                   // some of those it goes to have it, and the others refuse it: it is done
	gone                     // the other end wants nothing more, ever
)

func (f fault) Error() string { return f.text }

// link is what is known of the other end, for health and for people. Whoever asks is never
// held up: nothing is written or waited for under its lock.
type link struct {
	mu       sync.Mutex
	ever     bool // tried since the start
	fault    string
	gone     bool
	lastOK   time.Time // by real time; zero: nothing got through since the start
	failing  time.Time // since when; zero while it works
	waitingN int       // as of the last look
	heldN    int       // of them for the end of quiet hours
	expiredN uint64    // given up as no longer news, since the start
}

// tried takes what a try came to, and reports whether it is news.
func (l *link) tried(err error) (news bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.ever = true
	news = err != nil || l.lastOK.IsZero() || l.fault != ""
	if err == nil {
		l.fault, l.gone, l.failing, l.lastOK = "", false, time.Time{}, time.Now()
		return news
	}
	if l.failing.IsZero() {
		l.failing = time.Now()
	}
	f, _ := errors.AsType[fault](err)
	l.fault, l.gone = err.Error(), l.gone || f.kind == gone
	return news
}

// waits takes how many messages wait, and how many of them for the end of quiet hours.
func (l *link) waits(n, heldN int) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.waitingN, l.heldN = n, heldN
}

// left takes what was sent off what waits.
func (l *link) left(n int) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.waitingN -= n
}

func (l *link) gaveUp() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.expiredN++
}

func (l *link) isGone() bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.gone
}

// reading is the link as a health channel has it: 1 while messages get through.
func (l *link) reading() sensors.Reading {
	l.mu.Lock()
	defer l.mu.Unlock()
	switch {
	case l.gone:
		return sensors.Fault("gone")
	case !l.ever:
		return sensors.Reading{}
	case l.fault != "":
		return sensors.Of(0)
	}
	return sensors.Of(1)
}

func (l *link) says() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	text := "Nothing sent since the start."
	if !l.lastOK.IsZero() {
		text = "Last delivered " + show.Age(time.Since(l.lastOK)) + "."
	}
	if l.fault != "" {
		text += fmt.Sprintf(" Failing for %s: %s.", show.Duration(time.Since(l.failing)), l.fault)
	}
	if n := l.waitingN - l.heldN; n > 0 {
		text += fmt.Sprintf(" %s to be sent.", messagesWait(n))
	}
	if l.heldN > 0 {
		text += fmt.Sprintf(" %s for the end of quiet hours.", messagesWait(l.heldN))
	}
	if l.expiredN > 0 {
		text += fmt.Sprintf(" %d were over or too old before they could be told; the event log has them.", l.expiredN)
	}
	return text
}

func messagesWait(n int) string {
	if n == 1 {
		return "1 message waits"
	}
	return fmt.Sprintf("%d messages wait", n)
}
