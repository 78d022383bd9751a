package main

import (
	"net"
	"path/filepath"
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
	b := make([]byte, 64)
	conn.SetReadDeadline(time.Now().Add(5 * time.Second))
	if n, err := conn.Read(b); err != nil || string(b[:n]) != "READY=1" {
		t.Errorf("heard %q, %v", b[:n], err)
	}
	done := make(chan struct{})
	go func() {
		defer close(done)
		for range 100 { // nobody reads any more; the queue is full long before
			notify("WATCHDOG=1")
		}
	}()
	select {
	case <-done:
	case <-time.After(60 * time.Second): // a hundred bounds of 20 ms are 2 s
		t.Error("a service manager that does not read holds the loop")
	}
}
