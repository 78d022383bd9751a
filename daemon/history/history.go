// Package history is the daemon's memory: one SQLite file that holds every minute's
// readings and estimates, the log of events, the ledger of nights, the outbox of alarms
// that still have to leave the van, and the checkpoint that the next start resumes from.
//
// A [Store] is an output of the tick loop. Deliver puts a snapshot into memory and returns;
// one goroutine, the history writer, carries it to the disk: at once when the core says so
// by giving a checkpoint, else every ten minutes, because it is the number of commits and not the size of
// a row that wears a card (libraries.md 1.2). Events, their outbox rows, the checkpoint and
// the totals are one transaction, synced before [Store.Committed] returns.
//
// Time: a row is keyed by a span, a stretch of one boot during which wall time and up time
// differed by one constant, and by its minute of up time. Its date is the span's offset plus
// that minute, so when a board that booted in the past learns the time, one changed number
// dates again everything it had recorded.
//
// What a power cut can take: ten minutes of chart points. What it cannot: anything that
// Committed answered for.
package history

import (
	"database/sql"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"time"

	"frostline/daemon/core"
	"frostline/sensors"
)

// Options is what a store must know of the van.
type Options struct {
	Wiring   sensors.Wiring    // the channels that get columns
	Paths    []string          // outbox paths, as "mqtt": each gets its own copy of every alarm transition
	Daily    map[string]string // by path: the daily word it wants too, by its time, as "08:00"
	Log      *slog.Logger      // nil discards
	MaxBytes int64             // ceiling of the file; 0 is 1 GiB, several times what 400 days of a fully wired van need
	Reading  bool              // a command that looks at what the daemon left: a damaged file is refused, not replaced, and no days are made
}

const (
	pageBytes       = 4096 // what ext4 writes anyway; smaller pages saved nothing (libraries.md 1.2)
	defaultMaxBytes = 1 << 30
	reserveBytes    = 1 << 20 // given up when the disk is full, so that events still fit
	closePatience   = 5 * time.Second
	retryEvery      = 5 * time.Second
)

// Store is an open history file. Its methods may be called from any goroutine.
type Store struct {
	path   string
	o      Options
	series []series
	sums   []estimateSeries
	resume Resume
	commit func(*batch) outcome // what the writer does with a batch; tests put a broken disk here

	mu sync.Mutex // guards q, never held during I/O
	q  queue

	files sync.RWMutex // write-held only while a damaged file is swapped
	w, r  *sql.DB      // one connection each: the writer's, and one that may only query

	unclean bool   // the last run did not close the file
	packer  packer // the writer's
	days    int64  // the writer's: the span from which days may be missing, 0 where none is
	wakes   map[string]chan struct{}
	wake    chan struct{}
	quit    chan struct{}
	ended   chan struct{}
	closing sync.Once
}

// Resume is what the last run left behind. The zero value is a first start.
type Resume struct {
	Checkpoint []byte        // JSON of the newest checkpoint that reads back; nil if there is none
	Boot       string        // of the newest committed tick
	Tick       uint64        // the newest committed tick
	Stamp      sensors.Stamp // of that tick
	Totals     core.Totals   // as of that tick
	LastSeq    uint64        // highest event number in the file: go on after it, whatever the checkpoint says
	Clean      bool          // the last run closed the store in order
	Damage     string        // what was found broken at this start and what was saved of it; empty if nothing
}

// ErrDamaged is of a file that was opened to be read and is broken.
var ErrDamaged = errors.New("damaged, and left as it is: the next start of frostline begins a new one with what can be read of it")

// Open opens or creates the history file, brings an older schema up to date and starts the
// writer. It refuses a file of a newer program and one that another process has open.
//
// A damaged file does not stop a start: it is renamed to *.damaged, a new one is begun and
// whatever can still be read is copied over. Damage that is found at once is told by
// [Store.Resume]; after an unclean stop the writer checks the whole file first of all, and
// logs. A command that only reads ([Options.Reading]) gets an error instead: it does not know
// which channels the new file needs.
func Open(path string, o Options) (*Store, error) {
	s, err := open(path, o)
	if err != nil {
		return nil, fmt.Errorf("open history: %w", err)
	}
	go s.writeLoop()
	return s, nil
}

// open is Open without the writer, so that a test can change it first.
func open(path string, o Options) (*Store, error) {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.MaxBytes == 0 {
		o.MaxBytes = defaultMaxBytes
	}
	path, err := filepath.Abs(path)
	if err != nil {
		return nil, err
	}
	if err := os.MkdirAll(filepath.Dir(path), 0o750); err != nil {
		return nil, err
	}
	s := &Store{
		path: path, o: o,
		series: seriesOf(o.Wiring), sums: estimateList(),
		wakes: make(map[string]chan struct{}),
		wake:  make(chan struct{}, 1),
		quit:  make(chan struct{}),
		ended: make(chan struct{}),
	}
	s.commit = s.commitBatch
	if !o.Reading {
		s.days = 1
	}
	for _, p := range o.Paths {
		s.wakes[p] = make(chan struct{}, 1)
	}
	if err := s.openFiles(); err != nil {
		return nil, err
	}
	if err := s.makeReserve(); err != nil { // no reason not to start: events still fit, or health says so
		o.Log.Warn("history has no reserve and keeps no charts until there is room for one", "err", err)
	}
	return s, nil
}

// openFiles opens the file, or its successor if it is damaged, and reads what the last run
// left.
func (s *Store) openFiles() error {
	err := s.attach()
	if err == nil {
		err = s.load()
	}
	damage := ""
	switch {
	case isDamage(err) && s.o.Reading:
		err = fmt.Errorf("%w: %w", ErrDamaged, err)
	case isDamage(err):
		damage, err = s.replace(err)
		if err == nil {
			err = s.load()
		}
	}
	if err != nil {
		_ = s.detach() // the first error is the one to tell
		if isLocked(err) {
			return fmt.Errorf("%s is in use by another process: stop it first: %w", s.path, err)
		}
		return fmt.Errorf("%s: %w", s.path, err)
	}
	s.resume.Damage = damage
	s.unclean = s.resume.Boot != "" && !s.resume.Clean && damage == ""
	return nil
}

// Resume returns what the last run left, as it was when the store was opened.
func (s *Store) Resume() (Resume, error) { return s.resume, nil }

// Close commits everything delivered, the unfinished minute included, and closes the file.
// A disk that does not answer is given up after five seconds, with an error.
func (s *Store) Close() error {
	s.closing.Do(func() { close(s.quit) })
	patience := time.NewTimer(closePatience)
	defer patience.Stop()
	select {
	case <-s.ended:
	case <-patience.C:
		return fmt.Errorf("close history: %s: the disk does not answer; what was not committed is lost", s.path)
	}
	s.mu.Lock()
	err := s.q.err
	s.mu.Unlock()
	s.files.Lock()
	defer s.files.Unlock()
	if err := errors.Join(err, s.detach()); err != nil {
		return fmt.Errorf("close history: %w", err)
	}
	return nil
}

// writeLoop is the history writer. It ends after the last commit that Close asks for.
func (s *Store) writeLoop() {
	defer close(s.ended)
	if s.unclean && !s.o.Reading {
		s.check()
	}
	idle := make(chan struct{})
	close(idle)
	var retry <-chan time.Time
	for {
		missing := idle
		if s.days == 0 {
			missing = nil
		}
		select {
		case <-missing:
			s.makeDays()
			continue
		case <-s.wake:
		case <-retry:
		case <-s.quit:
			s.writeOnce(true)
			return
		}
		retry = nil
		if !s.writeOnce(false) {
			retry = time.After(retryEvery)
		}
	}
}

// makeDays makes the next days that are missing. A start does not wait for that, nor does a
// commit for more than a piece of it: meanwhile charts are drawn from hours. Where it fails
// that lasts until the next start.
func (s *Store) makeDays() {
	next := int64(0)
	err := inTx(s.w, func(tx *sql.Tx) (err error) {
		next, err = fillDays(tx, s.days)
		return err
	})
	s.days = next
	if err != nil {
		s.days = 0
		s.o.Log.Warn("days of the charts could not be made from their hours; the next start tries again", "err", err)
	}
}

// writeOnce commits what has gathered and reports whether nothing is left to be tried again.
func (s *Store) writeOnce(last bool) bool {
	s.mu.Lock()
	b := s.q.take(last)
	s.mu.Unlock()
	if b == nil {
		return true
	}
	out := s.commit(b)
	if isDamage(out.err) {
		if damage, err := s.replace(out.err); err != nil {
			s.o.Log.Error("history is damaged and no new file could be begun", "err", err)
		} else {
			s.o.Log.Error("history was damaged", "found", damage)
			s.mu.Lock()
			b.spans = slices.Clone(s.q.spans)
			s.mu.Unlock()
			out = s.commit(b)
		}
	}
	size, written := s.sizeBytes(), writtenBytes()
	s.mu.Lock()
	was := s.q.fault
	s.q.settle(b, out)
	dropped := s.q.droppedRows
	if s.q.fault == "" {
		s.q.droppedRows = 0
	}
	now := s.q.fault
	s.q.sizeB, s.q.writtenB = size, written
	for _, p := range out.wake { // before the lock: who has seen the commit finds the senders woken
		signal(s.wakes[p])
	}
	s.mu.Unlock()
	s.logChange(was, now, errors.Join(out.err, out.rowsErr), dropped)
	return out.err == nil && out.rowsErr == nil
}

// logChange writes one line when the store begins to fail and one when it recovers.
func (s *Store) logChange(was, now string, err error, droppedMinutes int64) {
	switch {
	case now == "" && (was != "" || droppedMinutes > 0):
		s.o.Log.Info("history writes again", "minutes_dropped", droppedMinutes)
	case was == now:
	default:
		s.o.Log.Error("history cannot write; events are kept in memory and tried again", "fault", now, "err", err)
	}
}

// signal wakes whoever listens; a signal that has not been seen yet is enough.
func signal(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}
