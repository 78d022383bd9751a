package main

import (
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"golang.org/x/sys/unix"
)

// onTerminal runs the binary with standard error on a terminal and returns what stood there.
func onTerminal(t *testing.T, args ...string) string {
	t.Helper()
	keeper, err := os.OpenFile("/dev/ptmx", os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer keeper.Close()
	if err := unix.IoctlSetPointerInt(int(keeper.Fd()), unix.TIOCSPTLCK, 0); err != nil {
		t.Fatal(err)
	}
	n, err := unix.IoctlGetInt(int(keeper.Fd()), unix.TIOCGPTN)
	if err != nil {
		t.Fatal(err)
	}
	screen, err := os.OpenFile(fmt.Sprintf("/dev/pts/%d", n), os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		t.Fatal(err)
	}
	c := exec.Command(os.Args[0], args...)
	c.Env = append(os.Environ(), "FROSTLINE_AS_COMMAND=1")
	c.Stderr = screen
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	screen.Close()
	said, _ := io.ReadAll(keeper) // it ends with an error when the last writer is gone
	if err := c.Wait(); err != nil {
		t.Fatalf("%v: %v\n%s", args, err, said)
	}
	return string(said)
}

// TestLongWorkShowsProgressOnATerminalOnly replays and runs a scenario on a terminal and in a pipe.
func TestLongWorkShowsProgressOnATerminalOnly(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	night := filepath.Join(dir, "night.csv.gz")
	van := filepath.Join(dir, "van.toml")
	text, err := new(program).run("demo", "--scenario", "leak", "--fast", "--print-config")
	if err != nil {
		t.Fatalf("%v\n%s", err, text)
	}
	if err := os.WriteFile(van, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	far := regexp.MustCompile(`\r\x1b\[K[a-z.]+ \d+ %`)
	for _, args := range [][]string{
		{"demo", "--scenario", "leak", "--fast", "--record", night},
		{"replay", "--config", van, night},
	} {
		said := onTerminal(t, args...)
		if !far.MatchString(said) {
			t.Errorf("%v says nothing of how far it is on a terminal:\n%q", args, said)
			continue
		}
		if last := said[strings.LastIndex(said, "\r\x1b[K")+len("\r\x1b[K"):]; strings.Contains(last, "%") {
			t.Errorf("%v leaves %q on the terminal", args, last)
		}
		if said, err := new(program).run(args...); err != nil || strings.ContainsAny(said, "\r%\x1b") {
			t.Errorf("%v in a pipe: %v\n%q", args, err, said)
		}
	}
}

// TestAFloodOfDamagedLinesIsCounted: a file of nonsense is no reason to fill a log with it.
func TestAFloodOfDamagedLinesIsCounted(t *testing.T) {
	dir := t.TempDir()
	van, night := filepath.Join(dir, "van.toml"), filepath.Join(dir, "night.csv")
	for name, text := range map[string]string{
		van:   "[[sensor]]\nchannel = \"gas_v\"\n",
		night: "# frostline recording 1\nup_s,wall,gas_v,command\n1,,0.6,\n" + strings.Repeat("nonsense\n", 5000),
	} {
		if err := os.WriteFile(name, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	out, err := new(program).run("replay", "--config", van, "--events", os.DevNull, night)
	if err != nil || strings.Count(out, "\n") > 25 || !strings.Contains(out, "1 ticks judged, 5000 damaged lines skipped") ||
		!strings.Contains(out, "further damaged lines are only counted") {
		t.Errorf("%v, %d lines\n%.2000s", err, strings.Count(out, "\n"), out)
	}
	if out, err := new(program).run("replay", "--config", van, "--events", os.DevNull, os.DevNull); err == nil || strings.Contains(out, "written over") {
		t.Errorf("a device is no file to write over: %v\n%s", err, out)
	}
}
