package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestASecondDaemonDoesNotReachIntoTheFirst starts another one on the same state directory:
// both would convert the same chips, and an erasing of the first would be ended by the second.
func TestASecondDaemonDoesNotReachIntoTheFirst(t *testing.T) {
	t.Parallel()
	conf, page, state, b := layVan(t)
	p := startProgram(t, conf, page, b)
	defer func() { p.kill() }()
	if err := os.WriteFile(filepath.Join(state, eraseMark), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	o := startOther(t, nil, "run", "--config", conf, "--sysfs", b.root)
	awaits(t, "the second ends", func() bool { return strings.Contains(o.said.String(), "is running already in "+state) })
	if err := o.cmd.Wait(); err == nil || o.cmd.ProcessState.ExitCode() != exitFailed {
		t.Errorf("it ended with %v", err)
	}
	if _, err := os.Stat(filepath.Join(state, historyFile)); err != nil {
		t.Errorf("the second erased the store of the first: %v", err)
	}
	// What a kill leaves behind holds nobody up.
	if err := os.Remove(filepath.Join(state, eraseMark)); err != nil {
		t.Fatal(err)
	}
	p.kill()
	p = startProgram(t, conf, page, b)
}

// TestAStateDirectoryTooDeepForASocket still runs, is restored and erased.
func TestAStateDirectoryTooDeepForASocket(t *testing.T) {
	t.Parallel()
	deep := filepath.Join(t.TempDir(), strings.Repeat("deep", 30))
	layStore(t, deep, "first")
	file := filepath.Join(t.TempDir(), "van.tar.gz")
	for _, args := range [][]string{{"backup", file}, {"restore", file}, {"nights"}, {"erase", "--yes"}} {
		if out, err := new(program).run(append(args, "--state", deep)...); err != nil {
			t.Errorf("%v: %v\n%s", args, err, out)
		}
	}
	if out, err := new(program).run("pair", "--list", "--state", deep); err == nil || !strings.Contains(out, "longer than a socket's may be") {
		t.Errorf("%v\n%s", err, out)
	}
	if _, err := listenControl(deep); err == nil || !strings.Contains(err.Error(), "longer than a socket's may be") {
		t.Error(err)
	}
}
