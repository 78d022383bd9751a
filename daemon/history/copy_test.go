package history

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

func TestACopyIsWholeWhileTheWriterGoesOn(t *testing.T) {
	dir := t.TempDir()
	s, v := openIn(t, dir, Options{Paths: []string{"mqtt"}}), newVan()
	commit(t, s, v, alarm("a", "high", "unacknowledged"), night("2026-11-24", 2, 1.5))
	copied := filepath.Join(dir, "copy.db")
	if err := s.Copy(deadline(t), copied); err != nil {
		t.Fatal(err)
	}
	commit(t, s, v, alarm("b", "high", "unacknowledged"))
	c, err := Inspect(deadline(t), copied)
	if err != nil || c.Nights != 1 || c.Events != 2 || c.Schema != len(migrations()) {
		t.Errorf("the copy holds %+v, %v; want one night and the two events from before", c, err)
	}
	if rows, err := s.Next(deadline(t), "mqtt", 10); err != nil || len(rows) != 2 {
		t.Errorf("%d messages wait in the original, %v; want both", len(rows), err)
	}
	// Put in place of a store it is a store, with its checkpoint and nothing to send.
	other := t.TempDir()
	text, err := os.ReadFile(copied)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(other, "history.db"), text, 0o600); err != nil {
		t.Fatal(err)
	}
	again := openIn(t, other, Options{Paths: []string{"mqtt"}})
	last, err := again.Resume()
	if err != nil || last.Checkpoint == nil || last.Boot != "boot-1" || last.Damage != "" {
		t.Errorf("resumed from the copy: %+v, %v", last, err)
	}
	if rows, err := again.Next(deadline(t), "mqtt", 10); err != nil || len(rows) != 0 {
		t.Errorf("the copy would send %d alarms again", len(rows))
	}
	if err := s.Copy(deadline(t), copied); err == nil {
		t.Error("a copy overwrote a file")
	}
}

func TestACopyThatFailsLeavesNothingAndACopyOfAClosedStoreIsRefused(t *testing.T) {
	dir := t.TempDir()
	s, v := openIn(t, dir, Options{}), newVan()
	fill(t, s, v, time.Hour, time.Minute)
	if err := s.Copy(deadline(t), filepath.Join(dir, "no", "such", "folder.db")); err == nil {
		t.Error("copied into nowhere")
	}
	closeStore(t, s)
	if err := s.Copy(deadline(t), filepath.Join(dir, "late.db")); err == nil || !strings.Contains(err.Error(), "closed") {
		t.Errorf("a closed store: %v", err)
	}
}

func TestInspectRefusesWhatIsNoHistoryOfOurs(t *testing.T) {
	dir := t.TempDir()
	s, v := openIn(t, dir, Options{}), newVan()
	fill(t, s, v, 30*time.Hour, time.Minute)
	commit(t, s, v, night("2026-11-24", 2, 1.5))
	good := filepath.Join(dir, "good.db")
	if err := s.Copy(deadline(t), good); err != nil {
		t.Fatal(err)
	}
	if _, err := s.w.Exec("PRAGMA user_version = 99"); err != nil {
		t.Fatal(err)
	}
	newer := filepath.Join(dir, "newer.db")
	if err := s.Copy(deadline(t), newer); err != nil {
		t.Fatal(err)
	}
	whole, err := os.ReadFile(good)
	if err != nil {
		t.Fatal(err)
	}
	put := func(name string, text []byte) string {
		file := filepath.Join(dir, name)
		if err := os.WriteFile(file, text, 0o600); err != nil {
			t.Fatal(err)
		}
		return file
	}
	holed := append([]byte{}, whole...)
	for i := len(holed) / 2; i < len(holed)/2+3*pageBytes; i++ {
		holed[i] ^= 0xa5
	}
	for file, want := range map[string]string{
		filepath.Join(dir, "absent.db"):                  "no such file",
		put("empty.db", nil):                             "not a history",
		put("text.db", []byte(strings.Repeat("x", 9e3))): "not a database",
		put("short.db", whole[:len(whole)/2]):            "",
		put("holed.db", holed):                           "",
		newer:                                            "newer frostline",
	} {
		if c, err := Inspect(deadline(t), file); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %+v, %v; want %q", filepath.Base(file), c, err, want)
		}
	}
	if c, err := Inspect(deadline(t), good); err != nil || c.Nights != 1 || c.Hours == 0 {
		t.Errorf("the good one: %+v, %v", c, err)
	}
}
