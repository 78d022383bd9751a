package main

import (
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
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

// onlyOneEnv names the directory in which a process of its own only looks who works there.
const onlyOneEnv = "FROSTLINE_TEST_ONLY_ONE"

// TestADaemonOfAnotherUserIsNotNobody starts where a socket is that this user may not open: a
// daemon that works there is in the way, and a file that a power cut left is not.
func TestADaemonOfAnotherUserIsNotNobody(t *testing.T) {
	dir, err := os.MkdirTemp("", "frostline-") // t.TempDir is closed to others
	if err != nil {
		t.Fatal(err)
	}
	defer os.RemoveAll(dir)
	ln, err := listenControl(dir)
	if err != nil {
		t.Fatal(err)
	}
	srv := &http.Server{Handler: http.NotFoundHandler()}
	go srv.Serve(ln)
	defer srv.Close()
	for _, file := range []struct {
		path string
		mode os.FileMode
	}{{dir, 0o755}, {filepath.Join(dir, controlFile), 0}} {
		if err := os.Chmod(file.path, file.mode); err != nil {
			t.Fatal(err)
		}
	}
	start := func() string {
		cmd := exec.Command("/proc/self/exe")
		cmd.Env, cmd.Dir = append(os.Environ(), onlyOneEnv+"="+dir), "/"
		if os.Geteuid() == 0 { // who may open everything
			cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: 65534, Gid: 65534}}
		}
		out, err := cmd.CombinedOutput()
		if err != nil {
			t.Fatalf("%v\n%s", err, out)
		}
		return string(out)
	}
	if said := start(); !strings.Contains(said, "seems to be running already in "+dir) || !strings.Contains(said, "not yours to open") {
		t.Errorf("beside one that works: %s", said)
	}
	ln.(*net.UnixListener).SetUnlinkOnClose(false) // as a kill would leave it
	srv.Close()
	if said := start(); said != "<nil>\n" {
		t.Errorf("where nobody is any more: %s", said)
	}
}
