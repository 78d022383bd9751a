package hw

import (
	"fmt"
	"math"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
)

// sysfs is the kernel's device tree, or a made-up one in a test. It is only ever read: the
// service sees it read-only.
type sysfs struct {
	root string
	read func(path string) ([]byte, error)
}

// text is one attribute without its newline. An empty one is an error: the kernel's
// 1-wire driver says "it failed" that way.
func (s sysfs) text(path ...string) (string, error) {
	name := filepath.Join(append([]string{s.root}, path...)...)
	b, err := s.read(name)
	if err != nil {
		return "", err
	}
	t := strings.TrimSpace(string(b))
	if t == "" {
		return "", &fault{empty, fmt.Errorf("read %s: the file is empty", name)}
	}
	return t, nil
}

// number is one attribute as a number, with the text it was.
func (s sysfs) number(path ...string) (float64, string, error) {
	t, err := s.text(path...)
	if err != nil {
		return 0, "", err
	}
	v, err := strconv.ParseFloat(t, 64)
	if err != nil || math.IsInf(v, 0) || strings.Trim(t, "+-.eE0123456789") != "" {
		return 0, t, &fault{garbled, fmt.Errorf("read %s: %q is not a number", filepath.Join(path...), clip(t))}
	}
	return v, t, nil
}

func clip(s string) string {
	if len(s) > 80 {
		return s[:80] + "..."
	}
	return s
}

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
