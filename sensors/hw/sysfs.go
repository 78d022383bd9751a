package hw

import (
	"fmt"
	"math"
	"path/filepath"
	"strconv"
	"strings"
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
