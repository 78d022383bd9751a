package main

import (
	"net"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

func TestTheServiceManagerHearsAndCannotHoldTheLoop(t *testing.T) {
	path := filepath.Join(t.TempDir(), "notify")
	conn, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	t.Setenv("NOTIFY_SOCKET", path)
	notify := notifier()
	notify("READY=1")
	notify(notifyBeat) // and again, if the machine was too busy for the first
	if got := datagram(t, conn); !strings.HasPrefix(got, "READY=1") {
		t.Errorf("heard %q first, want READY=1", got)
	}
	done := make(chan struct{})
	go func() {
		defer close(done)
		for range 100 { // nobody reads any more; the queue is full long before
			notify(notifyBeat)
		}
		notify("READY=1")
	}()
	select {
	case <-done:
	case <-time.After(patience): // a hundred bounds of 20 ms are 2 s
		t.Fatal("a service manager that does not read holds the loop")
	}
	for beats := 0; ; beats++ { // it reads again, and what was owed comes with the next beat
		got := datagram(t, conn)
		if got == "READY=1\n"+notifyBeat {
			break
		}
		if got != notifyBeat {
			t.Fatalf("heard %q, want beats and then what was not heard", got)
		}
		notify(notifyBeat)
		if beats == 10_000 {
			t.Fatal("a state that was not heard is never said again")
		}
	}
}

func datagram(t *testing.T, conn *net.UnixConn) string {
	t.Helper()
	b := make([]byte, 64)
	conn.SetReadDeadline(time.Now().Add(patience))
	n, err := conn.Read(b)
	if err != nil {
		t.Fatal(err)
	}
	return string(b[:n])
}
