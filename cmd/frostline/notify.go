package main

import (
	"net"
	"os"
	"sync"
	"time"
)

// notifyWithin bounds how long telling the service manager may hold the tick loop: its
// socket can be full, and the gas watch matters more than its opinion.
const notifyWithin = 20 * time.Millisecond

// notifyBeat is said each tick, so one that is not heard is followed by another.
const notifyBeat = "WATCHDOG=1"

// notifier speaks sd_notify: one datagram a state to the socket the service manager names.
// Without one it says nothing, as on a terminal. Every other state than the beat is said
// once, and a start that is not heard is taken for one that failed: it goes with the beats
// until one of them is heard.
func notifier() func(state string) {
	name := os.Getenv("NOTIFY_SOCKET")
	if name == "" {
		return func(string) {}
	}
	conn, err := net.DialUnix("unixgram", nil, &net.UnixAddr{Name: name, Net: "unixgram"})
	if err != nil {
		return func(string) {}
	}
	var mu sync.Mutex // the loop speaks, and a reload
	owed := ""        // the newest state that was not heard
	return func(state string) {
		mu.Lock()
		defer mu.Unlock()
		if state != notifyBeat {
			owed = state
		} else if owed != "" {
			state = owed + "\n" + state
		}
		conn.SetWriteDeadline(time.Now().Add(notifyWithin))
		if _, err := conn.Write([]byte(state)); err == nil {
			owed = ""
		}
	}
}
