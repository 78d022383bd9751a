package web

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"reflect"
	"time"
)

const (
	maxStreams    = 8                // open at once: a phone or two per person, and some left over
	maxOfPhone    = 3                // of them for one paired phone, or for one address of those who only look,
	maxOfAddress  = 6                // and for one address in all: no machine leaves every other without
	streamGap     = time.Second      // least time between two events
	streamBeat    = 15 * time.Second // a comment when nothing else was sent, so that dead links are noticed
	streamPatient = 5 * time.Second  // a phone that takes no byte for so long is dropped
)

// getStream sends server-sent events: first "snapshot", whole, then "change" with the
// members that changed, at most one a second. A reader that is slow skips what it missed
// and is dropped if it takes nothing.
func (s *Server) getStream(w http.ResponseWriter, r *http.Request) {
	select {
	case s.streams <- struct{}{}:
		defer func() { <-s.streams }()
	default:
		w.Header().Set("Retry-After", "10")
		s.sendError(w, http.StatusServiceUnavailable, fmt.Errorf("stream: %d phones are already following; close one", maxStreams))
		return
	}
	if v := visitorOf(r); v.role != board {
		from := "from " + sender(r).String() // no id of a phone
		most := map[string]int{from: maxOfAddress}
		switch {
		case v.phone != "":
			most[v.phone] = maxOfPhone
		case v.role < owner: // whoever looks without being paired
			most[from] = maxOfPhone
		}
		if full := s.phones.follow(most); full != "" {
			who := "this phone"
			if full == from {
				who = "the address of this phone"
			}
			w.Header().Set("Retry-After", "10")
			s.sendError(w, http.StatusServiceUnavailable, fmt.Errorf("stream: %d pages follow for %s already; close one", most[full], who))
			return
		}
		defer s.phones.unfollow(most)
	}
	w.Header().Set("Content-Type", "text/event-stream; charset=utf-8")
	if r.Method == http.MethodHead {
		return
	}
	look := lookOf(r)
	out := &eventWriter{w: w, control: http.NewResponseController(w)}
	var told snapshotJSON
	for f := s.latest.Load(); ; f = s.latest.Load() {
		now := f.snapshot()
		now.Text = s.texts(f, look)
		name, change := "change", now.since(&told)
		if told.Stamp == nil {
			name = "snapshot"
		}
		if err := out.event(name, change); err != nil {
			return
		}
		told = now
		if !s.awaitNews(r, out, f) {
			return
		}
		if !s.still(r) { // the page then goes to the door
			_ = out.event("unpaired", struct{}{}) // it is gone either way
			return
		}
	}
}

// awaitNews returns when there is a newer frame than f and a second has passed, keeping the
// line open meanwhile. It is false when the phone has gone.
func (s *Server) awaitNews(r *http.Request, out *eventWriter, f *frame) bool {
	gap := time.NewTimer(streamGap)
	defer gap.Stop()
	select {
	case <-gap.C:
	case <-r.Context().Done():
		return false
	}
	beat := time.NewTicker(streamBeat)
	defer beat.Stop()
	for {
		select {
		case <-f.next:
			return true
		case <-beat.C:
			if !s.still(r) {
				return true // for the caller to say so
			}
			if out.comment() != nil {
				return false
			}
		case <-r.Context().Done():
			return false
		}
	}
}

// since is what changed: numbers and texts entry by entry, the other members whole. Ages
// grow in every tick and are no change of a number; the stamp is always sent, as the beat.
func (now snapshotJSON) since(old *snapshotJSON) snapshotJSON {
	if old.Stamp == nil {
		return now
	}
	out := snapshotJSON{Stamp: now.Stamp}
	if now.Notice != old.Notice {
		out.Notice = now.Notice
	}
	for name, n := range now.Numbers { // into a map, not into output
		if !n.same(old.Numbers[name]) {
			put(&out.Numbers, name, n)
		}
	}
	for key, text := range now.Text {
		if before, was := old.Text[key]; !was || before != text {
			put(&out.Text, key, text)
		}
	}
	keep(&out.Gas, now.Gas, old.Gas)
	keep(&out.Van, now.Van, old.Van)
	keep(&out.Regulator, now.Regulator, old.Regulator)
	keep(&out.TooMuch, now.TooMuch, old.TooMuch)
	keep(&out.Outlooks, now.Outlooks, old.Outlooks)
	keep(&out.Alarms, now.Alarms, old.Alarms)
	keep(&out.Tonight, now.Tonight, old.Tonight)
	keep(&out.Night, now.Night, old.Night)
	keep(&out.Joints, now.Joints, old.Joints)
	keep(&out.Cards, now.Cards, old.Cards)
	keep(&out.Totals, now.Totals, old.Totals)
	keep(&out.Channels, now.Channels, old.Channels)
	return out
}

// same reports whether two sayings of a number differ in nothing but age.
func (n numberJSON) same(old numberJSON) bool {
	n.AgeS, old.AgeS = nil, nil
	return reflect.DeepEqual(n, old)
}

func put[V any](m *map[string]V, key string, v V) {
	if *m == nil {
		*m = make(map[string]V)
	}
	(*m)[key] = v
}

func keep[T any](out **T, now, old *T) {
	if !reflect.DeepEqual(now, old) {
		*out = now
	}
}

// eventWriter writes events, each within its own deadline.
type eventWriter struct {
	w       io.Writer
	control *http.ResponseController
}

func (e *eventWriter) event(name string, v any) error {
	body, err := json.Marshal(v)
	if err != nil {
		return fmt.Errorf("stream: %w", err)
	}
	return e.send("retry: 3000\nevent: %s\ndata: %s\n\n", name, body)
}

func (e *eventWriter) comment() error { return e.send(": still here\n\n") }

func (e *eventWriter) send(format string, args ...any) error {
	err := e.control.SetWriteDeadline(time.Now().Add(streamPatient))
	if err != nil && !errors.Is(err, http.ErrNotSupported) {
		return err
	}
	if _, err := fmt.Fprintf(e.w, format, args...); err != nil {
		return err
	}
	return e.control.Flush()
}
