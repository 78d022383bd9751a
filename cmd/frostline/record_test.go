package main

import (
	"bytes"
	"compress/gzip"
	"errors"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// other is another command of the binary, running until it is ended.
type other struct {
	cmd  *exec.Cmd
	said journal
}

func startOther(t *testing.T, in io.Reader, args ...string) *other {
	t.Helper()
	o := &other{cmd: exec.Command(os.Args[0], args...)}
	o.cmd.Env = append(os.Environ(), "FROSTLINE_AS_COMMAND=1")
	o.cmd.Stdin, o.cmd.Stdout, o.cmd.Stderr = in, &o.said, &o.said
	if err := o.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { o.cmd.Process.Kill() })
	return o
}

// awaits a condition that another process brings about.
func awaits(t *testing.T, what string, ok func() bool) {
	t.Helper()
	for deadline := time.Now().Add(patience); time.Now().Before(deadline); time.Sleep(10 * time.Millisecond) {
		if ok() {
			return
		}
	}
	t.Fatalf("not within %v: %s", patience, what)
}

// endedBy sends a signal and returns how the process ended.
func (o *other) endedBy(t *testing.T, sig os.Signal) int {
	t.Helper()
	if err := o.cmd.Process.Signal(sig); err != nil {
		t.Fatal(err)
	}
	ended := make(chan struct{})
	go func() {
		o.cmd.Wait() // its status is asked for below
		close(ended)
	}()
	select {
	case <-ended:
		return o.cmd.ProcessState.ExitCode()
	case <-time.After(patience):
		t.Fatalf("%v did not end it:\n%s", sig, o.said.String())
		return 0
	}
}

// rowsOn is how many rows of a recording are in the file, whole or cut off.
func rowsOn(t *testing.T, name string) int {
	t.Helper()
	text, err := os.ReadFile(name)
	if err != nil {
		return 0
	}
	if filepath.Ext(name) == ".gz" {
		z, err := gzip.NewReader(bytes.NewReader(text))
		if err != nil {
			return 0
		}
		if text, err = io.ReadAll(z); err != nil && !errors.Is(err, io.ErrUnexpectedEOF) {
			t.Fatal(err)
		}
	}
	_, rows, _ := strings.Cut(string(text), ",command,boot\n")
	return strings.Count(rows, "\n")
}

// TestARecordingOutlivesItsRecorder kills the recorder, by what a power cut and what a
// closed terminal do: what was flushed is there.
func TestARecordingOutlivesItsRecorder(t *testing.T) {
	t.Parallel()
	conf, _, _, b := layVan(t)
	for _, name := range []string{"night.csv", "night.csv.gz"} {
		file := filepath.Join(t.TempDir(), name)
		o := startOther(t, nil, "record", "--config", conf, "--sysfs", b.root, "--out", file)
		awaits(t, name+" holds its first row", func() bool { return rowsOn(t, file) > 0 })
		if code := o.endedBy(t, syscall.SIGKILL); code != -1 {
			t.Errorf("killed, it ended with %d", code)
		}
		if rowsOn(t, file) == 0 {
			t.Errorf("%s: nothing outlived the kill", name)
		}
		file = filepath.Join(t.TempDir(), name)
		o = startOther(t, nil, "record", "--config", conf, "--sysfs", b.root, "--out", file)
		awaits(t, name+" holds its first row", func() bool { return rowsOn(t, file) > 0 })
		if code := o.endedBy(t, syscall.SIGHUP); code != exitDone || !strings.Contains(o.said.String(), "rows in "+file) {
			t.Errorf("after its terminal was closed it ended with %d: %s", code, o.said.String())
		}
	}
}

// TestARecordingIsNotWrittenOverAnother: a night cannot be recorded again.
func TestARecordingIsNotWrittenOverAnother(t *testing.T) {
	t.Parallel()
	conf, _, _, b := layVan(t)
	file := filepath.Join(t.TempDir(), "night.csv")
	const night = "# frostline recording 1\nup_s,wall,cabin_c,command\n1,,17,\n"
	if err := os.WriteFile(file, []byte(night), 0o644); err != nil {
		t.Fatal(err)
	}
	p := &program{t: t}
	alike := filepath.Join(filepath.Dir(file), ".", "alike.csv")
	if err := os.Link(file, alike); err != nil {
		t.Fatal(err)
	}
	for _, args := range [][]string{
		{"record", "--config", conf, "--sysfs", b.root, "--for", "1s", "--out", file},
		{"replay", "--config", conf, "--estimates", file, file},
		{"replay", "--config", conf, "--events", alike, file},
		{"replay", "--config", conf, "--events", conf, file},
		{"replay", "--config", conf, "--events", "-", "--estimates", "-", file},
	} {
		if out, err := p.run(args...); err == nil {
			t.Errorf("%v: done\n%s", args, out)
		}
		if text, err := os.ReadFile(file); err != nil || string(text) != night {
			t.Fatalf("%v: the recording is now %q, %v", args, text, err)
		}
	}
	if out, err := p.run("replay", "--config", conf, "--estimates", os.DevNull, "--events", "-", file); err != nil || !strings.Contains(out, "1 ticks judged") {
		t.Errorf("replay into a device: %v\n%s", err, out)
	}
}
