package main

import (
	"errors"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func TestTheControlSocketIsForItsOwnerOnly(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "state")
	ln, err := listenControl(dir)
	if err != nil {
		t.Fatal(err)
	}
	info, err := os.Stat(filepath.Join(dir, controlFile))
	if err != nil {
		t.Fatal(err)
	}
	if got := info.Mode().Perm(); got != 0o700 && got != 0o600 {
		t.Errorf("mode %o, want nothing for group and others", got)
	}
	srv := &http.Server{Handler: http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		switch r.URL.Path {
		case "/echo":
			io.Copy(w, r.Body)
		case "/unkept":
			w.WriteHeader(http.StatusAccepted)
			io.WriteString(w, `{"error":"done, but not written to disk"}`)
		default:
			w.WriteHeader(http.StatusConflict)
			io.WriteString(w, `{"error":"the alarm is not there"}`)
		}
	})}
	ended := make(chan error, 1)
	go func() { ended <- srv.Serve(ln) }()
	defer func() { srv.Close(); <-ended }()

	c := newControl(dir)
	var said struct{ Word string }
	if err := c.ask(t.Context(), "POST", "/echo", map[string]string{"word": "rime"}, &said); err != nil || said.Word != "rime" {
		t.Errorf("echo: %q, %v", said.Word, err)
	}
	for path, want := range map[string]string{"/refused": "the alarm is not there", "/unkept": "not written to disk"} {
		if err := c.ask(t.Context(), "POST", path, nil, nil); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want the daemon's words %q", path, err, want)
		}
	}
	if second, err := listenControl(dir); err == nil {
		second.Close()
		t.Error("a second daemon took the socket of one that answers")
	}
}

func TestASocketThatAKillLeftBehindIsReplaced(t *testing.T) {
	dir := t.TempDir()
	ln, err := listenControl(dir)
	if err != nil {
		t.Fatal(err)
	}
	ln.(*net.UnixListener).SetUnlinkOnClose(false) // as a kill would leave it
	ln.Close()
	if err := newControl(dir).ask(t.Context(), "GET", "/", nil, nil); !errors.Is(err, errNoDaemon) {
		t.Errorf("asked of nobody: %v, want %v", err, errNoDaemon)
	}
	ln, err = listenControl(dir)
	if err != nil {
		t.Fatalf("after a kill: %v", err)
	}
	ln.Close()
	if err := newControl(t.TempDir()).ask(t.Context(), "GET", "/", nil, nil); !errors.Is(err, errNoDaemon) {
		t.Errorf("where no daemon ever ran: %v, want %v", err, errNoDaemon)
	}
}
