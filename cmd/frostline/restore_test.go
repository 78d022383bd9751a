package main

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"frostline/alerts/announce"
	"frostline/config"
	"frostline/daemon/core"
	"frostline/daemon/history"
	"frostline/sensors"
)

// TestAQuestionEndsByCtrlC leaves erase at its question: nothing answers, and nothing is erased.
func TestAQuestionEndsByCtrlC(t *testing.T) {
	dir := laidStore(t)
	for _, sig := range []os.Signal{os.Interrupt, syscall.SIGTERM, syscall.SIGHUP} {
		in, quiet, err := os.Pipe()
		if err != nil {
			t.Fatal(err)
		}
		o := startOther(t, in, "erase", "--state", dir)
		awaits(t, "it asks", func() bool { return strings.Contains(o.said.String(), `Type "erase"`) })
		if code := o.endedBy(t, sig); code != exitFailed || !strings.Contains(o.said.String(), "nothing was erased") {
			t.Errorf("%v: ended with %d:\n%s", sig, code, o.said.String())
		}
		in.Close()
		quiet.Close()
		if _, err := os.Stat(filepath.Join(dir, historyFile)); err != nil {
			t.Fatalf("%v: %v", sig, err)
		}
	}
}

// laidStore is the state directory of a van that was lived in and is stopped.
func laidStore(t *testing.T) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "state")
	layStore(t, dir, "first")
	return dir
}

// layStore begins a store that can be told from another by its run.
func layStore(t *testing.T, dir, boot string) {
	t.Helper()
	store, err := history.Open(filepath.Join(dir, historyFile), history.Options{})
	if err != nil {
		t.Fatal(err)
	}
	store.Deliver(core.New(core.Params{}).Step(core.Input{Stamp: sensors.Stamp{Up: time.Second}, Boot: boot}))
	if err := store.Close(); err != nil {
		t.Fatal(err)
	}
}

// livedIn is the run that a store was left by.
func livedIn(t *testing.T, file string) string {
	t.Helper()
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	copied := filepath.Join(t.TempDir(), historyFile)
	if err := os.WriteFile(copied, text, 0o600); err != nil {
		t.Fatal(err)
	}
	store, err := history.Open(copied, history.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	last, err := store.Resume()
	if err != nil || last.Damage != "" {
		t.Fatalf("%s: %v, %s", file, err, last.Damage)
	}
	return last.Boot
}

// TestRestoringTwiceKeepsTheFirstStore: the wrong backup first, then the right one. What
// was there before both is not what the second puts aside.
func TestRestoringTwiceKeepsTheFirstStore(t *testing.T) {
	dir := laidStore(t)
	var backups []string
	for _, boot := range []string{"wrong", "right"} {
		from := t.TempDir()
		layStore(t, from, boot)
		file := filepath.Join(t.TempDir(), boot+".tar.gz")
		if out, err := new(program).run("backup", "--state", from, file); err != nil {
			t.Fatalf("%v\n%s", err, out)
		}
		backups = append(backups, file)
	}
	for _, file := range backups {
		if out, err := new(program).run("restore", "--state", dir, file); err != nil {
			t.Fatalf("%v\n%s", err, out)
		}
	}
	for name, want := range map[string]string{historyFile: "right", historyFile + ".old": "first", historyFile + ".old2": "wrong"} {
		if got := livedIn(t, filepath.Join(dir, name)); got != want {
			t.Errorf("%s is of the run %q, want %q", name, got, want)
		}
	}
}

// TestAPowerCutWhileAStoreIsPutAsideLosesNothingOfIt cuts after each step, lets a start begin
// on what is there, and looks for what only the log of the old store held.
func TestAPowerCutWhileAStoreIsPutAsideLosesNothingOfIt(t *testing.T) {
	from := filepath.Join(t.TempDir(), historyFile)
	store, err := history.Open(from, history.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	defer cancel()
	snap := core.New(core.Params{}).Step(core.Input{Stamp: sensors.Stamp{Up: time.Second}, Boot: "first"})
	store.Deliver(snap)
	if err := store.Committed(ctx, snap.Tick); err != nil {
		t.Fatal(err)
	}
	for cut := range len(asideSteps("", "")) + 1 {
		file := filepath.Join(t.TempDir(), historyFile)
		aside := file + ".old"
		for _, tail := range []string{"", "-wal"} { // as a kill would leave it
			text, err := os.ReadFile(from + tail)
			if err == nil {
				err = os.WriteFile(file+tail, text, 0o600)
			}
			if err != nil {
				t.Fatal(err)
			}
		}
		for _, step := range asideSteps(file, aside)[:cut] {
			if err := step(); err != nil {
				t.Fatal(err)
			}
		}
		next, err := history.Open(file, history.Options{})
		if err != nil {
			t.Fatal(err)
		}
		if err := next.Close(); err != nil {
			t.Fatal(err)
		}
		old := file
		if _, err := os.Stat(aside); err == nil {
			old = aside
		}
		if used, err := history.InUse(old); used || err != nil { // folds the log in
			t.Fatalf("%v, %v", used, err)
		}
		if got := livedIn(t, old); got != "first" {
			t.Errorf("cut after %d steps: %s is of the run %q", cut, filepath.Base(old), got)
		}
	}
}

// TestWhatOnlyReadsADamagedStoreLeavesIt: to mend it is for the daemon, which knows the channels.
func TestWhatOnlyReadsADamagedStoreLeavesIt(t *testing.T) {
	dir := laidStore(t)
	file := filepath.Join(dir, historyFile)
	damaged := bytes.Repeat([]byte("no store "), 2000)
	if err := os.WriteFile(file, damaged, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, args := range [][]string{{"nights", "--state", dir}, {"backup", "--state", dir, filepath.Join(t.TempDir(), "van.tar.gz")}} {
		if out, err := new(program).run(args...); err == nil || !strings.Contains(out, "the next start of frostline") {
			t.Errorf("%s: %v\n%s", args[0], err, out)
		}
	}
	if said := askDaemon(t.Context(), dir); !strings.Contains(said.Note, "the next start of frostline") {
		t.Errorf("check notes %q", said.Note)
	}
	if now, err := os.ReadFile(file); err != nil || !bytes.Equal(now, damaged) {
		t.Errorf("%d bytes are now %d, %v", len(damaged), len(now), err)
	}
}

// TestRestoreFollowsNoLink: root restores into a directory that is another user's.
func TestRestoreFollowsNoLink(t *testing.T) {
	dir := laidStore(t)
	file := filepath.Join(t.TempDir(), "van.tar.gz")
	if out, err := new(program).run("backup", "--state", dir, file); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	theirs := filepath.Join(t.TempDir(), "shadow")
	if err := os.WriteFile(theirs, []byte("root"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(theirs, filepath.Join(dir, historyFile+".restoring")); err != nil {
		t.Fatal(err)
	}
	if out, err := new(program).run("restore", "--state", dir, file); err != nil {
		t.Errorf("%v\n%s", err, out)
	}
	if text, err := os.ReadFile(theirs); err != nil || string(text) != "root" {
		t.Errorf("restoring wrote %d bytes through a link, %v", len(text), err)
	}
}

// TestAnErasingThatWasCutOffEndsBeforeRestoring: else the next start would erase what was restored.
func TestAnErasingThatWasCutOffEndsBeforeRestoring(t *testing.T) {
	dir := laidStore(t)
	file := filepath.Join(t.TempDir(), "van.tar.gz")
	if out, err := new(program).run("backup", "--state", dir, file); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	for _, name := range []string{eraseMark, phonesFile} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte("x"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if out, err := new(program).run("restore", "--state", dir, file); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	if err := finishErasing(dir); err != nil {
		t.Fatal(err)
	}
	if got := livedIn(t, filepath.Join(dir, historyFile)); got != "first" {
		t.Errorf("the next start finds the run %q", got)
	}
	for _, name := range []string{phonesFile, historyFile + ".old"} {
		if _, err := os.Stat(filepath.Join(dir, name)); !errors.Is(err, fs.ErrNotExist) {
			t.Errorf("%s was to be erased: %v", name, err)
		}
	}
}

// TestErasingDeletesALinkAndNamesWhatItLeadsTo: that may be anything, anywhere, and is left.
// The erasing is done all the same: a later start must not erase what has come since.
func TestErasingDeletesALinkAndNamesWhatItLeadsTo(t *testing.T) {
	dir := laidStore(t)
	elsewhere := filepath.Join(t.TempDir(), "card.db")
	file, phones := filepath.Join(dir, historyFile), filepath.Join(dir, phonesFile)
	beside := filepath.Join(dir, "notes.json")
	err := errors.Join(os.Rename(file, elsewhere), os.Symlink(elsewhere, file),
		os.WriteFile(beside, []byte("x"), 0o600), os.Symlink("notes.json", phones),
		os.Symlink(historyFile, file+".old")) // one to what is erased leaves nothing
	if err != nil {
		t.Fatal(err)
	}
	o := &outfit{cfg: &config.Config{StateDir: dir}, log: newLog(io.Discard), end: func() {}}
	if said, err := o.erase(t.Context()); err != nil || !strings.Contains(said, elsewhere) || !strings.Contains(said, beside) {
		t.Errorf("the running one says %q, %v", said, err)
	}
	out, err := new(program).run("erase", "--yes", "--state", dir)
	if err == nil || !strings.Contains(out, "not all is erased") || strings.Contains(out, "Erased.") ||
		!strings.Contains(out, "a link led to "+elsewhere+" and "+beside+", which is not erased") {
		t.Errorf("%v\n%s", err, out)
	}
	if got := livedIn(t, elsewhere); got != "first" {
		t.Errorf("a link was followed: the run %q", got)
	}
	if left, err := os.ReadDir(dir); err != nil || len(left) != 1 || left[0].Name() != "notes.json" {
		t.Errorf("left are %v, %v", left, err)
	}
	layStore(t, dir, "second")
	if err := finishErasing(dir); err != nil {
		t.Error(err)
	}
	if got := livedIn(t, file); got != "second" {
		t.Errorf("the next start erased what came since: the run %q", got)
	}
}

// TestABackupThatUnfoldsIntoTooMuchIsRefusedAtOnce restores what is small and says or unfolds
// into more than any disk holds.
func TestABackupThatUnfoldsIntoTooMuchIsRefusedAtOnce(t *testing.T) {
	dir := laidStore(t)
	for name, c := range map[string]struct {
		stated int64 // bytes of the store
		tail   int   // zeros behind the end of the archive
		want   string
	}{
		"a store of a petabyte":     {1 << 50, 0, "the disk has room for"},
		"zeros behind the archive":  {5, 64 << 20, "more is in it than a backup holds"},
		"a store of negative bytes": {-5, 0, "missing or cut short"},
	} {
		var out bytes.Buffer
		z := gzip.NewWriter(&out)
		w := tar.NewWriter(z)
		said := fmt.Sprintf(`{"format":1,"store_bytes":%d}`, c.stated)
		for _, f := range []struct {
			name, text string
			size       int64
		}{{aboutFile, said, int64(len(said))}, {historyFile, "hello", max(c.stated, 5)}} {
			if err := w.WriteHeader(&tar.Header{Name: f.name, Mode: 0o600, Size: f.size}); err != nil {
				t.Fatal(err)
			}
			if _, err := io.WriteString(w, f.text); err != nil {
				t.Fatal(err)
			}
		}
		w.Close() // one that is cut short says so
		if _, err := z.Write(make([]byte, c.tail)); err != nil {
			t.Fatal(err)
		}
		z.Close()
		file := filepath.Join(t.TempDir(), "bomb.tar.gz")
		if err := os.WriteFile(file, out.Bytes(), 0o600); err != nil {
			t.Fatal(err)
		}
		answer, err := new(program).run("restore", "--state", dir, file)
		if err == nil || !strings.Contains(answer, "nothing was changed") || !strings.Contains(answer, c.want) {
			t.Errorf("%s: %v\n%s", name, err, answer)
		}
	}
	if got := livedIn(t, filepath.Join(dir, historyFile)); got != "first" {
		t.Errorf("the store is now of the run %q", got)
	}
}

// TestADaemonThatRefusesABackupIsQuoted: its words, and not the number of its answer.
func TestADaemonThatRefusesABackupIsQuoted(t *testing.T) {
	dir := t.TempDir()
	ln, err := listenControl(dir)
	if err != nil {
		t.Fatal(err)
	}
	srv := &http.Server{Handler: http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		http.Error(w, "No backup could be made: the disk is full.", http.StatusServiceUnavailable)
	})}
	go srv.Serve(ln)
	defer srv.Close()
	file := filepath.Join(t.TempDir(), "van.tar.gz")
	out, err := new(program).run("backup", "--state", dir, file)
	if err == nil || out != "frostline backup: No backup could be made: the disk is full.\n" {
		t.Errorf("%v\n%q", err, out)
	}
	if _, err := os.Stat(file); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("a backup that was not made lies there: %v", err)
	}
}

// TestErasingClearsTheBrokerWhoeverWaits: a phone that falls asleep after the button was pressed
// ends the wait for the answer, and not the erasing.
func TestErasingClearsTheBrokerWhoeverWaits(t *testing.T) {
	addr, _ := mosquitto(t)
	log := newLog(io.Discard)
	mine := &config.MQTT{Broker: "tcp://" + addr, Device: "van-old", Domain: "homie"}
	client, err := announce.NewMQTT(announce.Options{Broker: mine.Broker, DeviceID: mine.Device, Domain: mine.Domain, Log: log})
	if err != nil {
		t.Fatal(err)
	}
	o := &outfit{cfg: &config.Config{StateDir: t.TempDir(), MQTT: mine}, log: log, mqtt: client,
		endMQTT: func(context.Context) {}, end: func() {}}
	gone, leave := context.WithCancel(t.Context())
	leave()
	if said, err := o.erase(gone); err != nil || !strings.Contains(said, "The broker keeps nothing of this van any more") {
		t.Errorf("%v, %v", said, err)
	}
}
