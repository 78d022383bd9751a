//go:build !linux

package hw

import (
	"errors"
	"os"
)

// Without Linux there are no sensors; the demo and replay need none.

func readAttribute(path string) ([]byte, error) { return os.ReadFile(path) }

func adjtimex() (bool, error) { return false, errors.ErrUnsupported }
