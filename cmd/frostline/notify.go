package main

import (
	"net"
	"os"
	"time"
)

// notifyWithin bounds how long telling the service manager may hold the tick loop: its
// socket can be full, and the gas watch matters more than its opinion.
const notifyWithin = 20 * time.Millisecond

// notifier speaks sd_notify: one datagram a state to the socket the service manager names.
// Without one it says nothing, as on a terminal.
func notifier() func(state string) {
	name := os.Getenv("NOTIFY_SOCKET")
	if name == "" {
		return func(string) {}
	}
	conn, err := net.DialUnix("unixgram", nil, &net.UnixAddr{Name: name, Net: "unixgram"})
	if err != nil {
		return func(string) {}
	}
	return func(state string) {
		conn.SetWriteDeadline(time.Now().Add(notifyWithin))
		conn.Write([]byte(state)) // a state that is not heard is followed by another each tick
	}
}
