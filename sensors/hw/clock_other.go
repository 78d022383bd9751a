//go:build !linux

package hw

import "errors"

// adjtimex is Linux's; elsewhere there are no sensors to read either.
func adjtimex() (bool, error) { return false, errors.ErrUnsupported }
