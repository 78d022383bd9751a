package hw

import (
	"fmt"
	"syscall"
)

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
