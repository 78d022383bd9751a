package history

import (
	"bytes"
	"errors"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"
)

func TestADamagedFileIsPutAsideAndWhatCanBeReadIsKept(t *testing.T) {
	for name, tt := range map[string]struct {
		hurt   func(t *testing.T, path string)
		kept   bool // most rows survive
		atOnce bool // seen by Open, not by the check
	}{
		"not a database any more": {func(t *testing.T, p string) { overwrite(t, p, 0, 4096) }, false, true},
		"the end is cut off":      {func(t *testing.T, p string) { cut(t, p, 0.9) }, true, true},
		"pages in the middle are zero": {func(t *testing.T, p string) {
			st, err := os.Stat(p)
			if err != nil {
				t.Fatal(err)
			}
			overwrite(t, p, st.Size()/2/4096*4096, 3*4096)
		}, true, false},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			dir := t.TempDir()
			s, v := openIn(t, dir, Options{}), newVan()
			fill(t, s, v, 4*24*time.Hour, time.Minute)
			snap := v.snapshot(time.Second, alarm("leave", "critical", "unacknowledged"))
			snap.Checkpoint = []byte(`{"version":1}`)
			s.Deliver(snap)
			if err := s.Committed(deadline(t), v.tick); err != nil {
				t.Fatal(err)
			}
			if _, err := s.w.Exec("PRAGMA wal_checkpoint(TRUNCATE)"); err != nil {
				t.Fatal(err)
			}
			broken := copyStore(t, s, dir) // not closed in order
			closeStore(t, s)
			path := filepath.Join(broken, "history.db")
			tt.hurt(t, path)
			readOnly(t, path, tt.atOnce)

			log := new(lockedBuffer)
			s = openIn(t, broken, Options{Log: slog.New(slog.NewTextHandler(log, nil))})
			v.boot, v.up = "boot-2", 0
			commit(t, s, v, alarm("after", "high", "unacknowledged"))
			r, _ := s.Resume()
			closeStore(t, s)
			if _, err := os.Stat(path + ".damaged"); err != nil {
				t.Errorf("the damaged file: %v, want it put aside", err)
			}
			report := r.Damage + log.String()
			if !strings.Contains(report, "was damaged") || !strings.Contains(report, "rows that could be read") {
				t.Errorf("report = %q, want what was found and what was kept", report)
			}
			if tt.atOnce != (r.Damage != "") {
				t.Errorf("seen by Open: %v, want %v (the writer looks for the rest, so that a start does not wait)", r.Damage != "", tt.atOnce)
			}

			s = openIn(t, broken, Options{})
			defer closeStore(t, s)
			looksMended(t, s, tt.kept)
		})
	}
}

// readOnly has a command look at the broken file: it knows no wiring, whose columns would be lost.
func readOnly(t *testing.T, path string, atOnce bool) {
	t.Helper()
	s, err := Open(path, Options{Reading: true})
	if err == nil {
		closeStore(t, s)
	}
	if atOnce != (err != nil) || err != nil && !errors.Is(err, ErrDamaged) {
		t.Errorf("opened to read: %v, want ErrDamaged: %v", err, atOnce)
	}
	if _, err := os.Stat(path + ".damaged"); !os.IsNotExist(err) {
		t.Errorf("a command that reads has put the file aside (%v)", err)
	}
}

func looksMended(t *testing.T, s *Store, most bool) {
	t.Helper()
	var ok string
	if err := s.r.QueryRow("PRAGMA integrity_check").Scan(&ok); err != nil || ok != "ok" {
		t.Errorf("integrity of the new file: %q, %v", ok, err)
	}
	var minutes int
	if err := s.r.QueryRow("SELECT count(*) FROM minutes").Scan(&minutes); err != nil {
		t.Fatal(err)
	}
	t.Logf("%d of 5760 minutes kept", minutes)
	if most && minutes < 4500 {
		t.Errorf("%d of 5760 minutes were kept, want most", minutes)
	}
	evs, err := s.Events(deadline(t), 0, 1)
	if err != nil || len(evs) != 1 || evs[0].Alarm == nil || evs[0].Alarm.ID != "after" {
		t.Errorf("newest event = %+v, %v, want the one raised after the damage", evs, err)
	}
}

func overwrite(t *testing.T, path string, at int64, n int) {
	t.Helper()
	f, err := os.OpenFile(path, os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if _, err := f.WriteAt(make([]byte, n), at); err != nil {
		t.Fatal(err)
	}
}

func cut(t *testing.T, path string, share float64) {
	t.Helper()
	st, err := os.Stat(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(path, int64(float64(st.Size())*share)/4096*4096); err != nil {
		t.Fatal(err)
	}
}

// lockedBuffer is a log two goroutines may write.
type lockedBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lockedBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lockedBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

var _ io.Writer = (*lockedBuffer)(nil)
