package hw

import (
	"fmt"
	"syscall"
)

// attributeBytes bounds an attribute: the kernel hands out a page at most.
const attributeBytes = 4096

// readAttribute reads a file with one read, past Go's poller: a driver that answers EAGAIN
// would otherwise be waited for without end, and a second read at the end of the file may
// start a second conversion. It blocks for as long as the driver does.
func readAttribute(path string) ([]byte, error) {
	fd, err := again(func() (int, error) { return syscall.Open(path, syscall.O_RDONLY|syscall.O_CLOEXEC, 0) })
	if err != nil {
		return nil, fmt.Errorf("open %s: %w", path, err)
	}
	defer syscall.Close(fd)
	b := make([]byte, attributeBytes)
	n, err := again(func() (int, error) { return syscall.Read(fd, b) })
	if err != nil {
		return nil, fmt.Errorf("read %s: %w", path, err)
	}
	return b[:n], nil
}

// again repeats a call that a signal has interrupted: the Go runtime sends itself signals.
func again(call func() (int, error)) (int, error) {
	for {
		n, err := call()
		if err != syscall.EINTR {
			return n, err
		}
	}
}

const (
	timeError = 5    // the state "not synchronized"
	staUnsync = 0x40 // the status bit for the same; adjtimex(2)
)

// adjtimex asks the kernel, changing nothing, whether something steers the clock.
func adjtimex() (bool, error) {
	var t syscall.Timex
	state, err := syscall.Adjtimex(&t)
	if err != nil {
		return false, fmt.Errorf("adjtimex: %w", err)
	}
	return state != timeError && t.Status&staUnsync == 0, nil
}
