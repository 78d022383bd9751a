package hw

import (
	"errors"
	"fmt"
	"io/fs"
	"strings"
)

// undervoltDevice is the board's own supply watch, a hwmon device whose in0_lcrit_alarm is 1
// while the supply is too low (sensing.md 8).
const undervoltDevice = "rpi_volt"

// readHwmon is one value and the text it came from. A chip that watches its probe says so in
// tempN_fault, and then its value is worth nothing.
func readHwmon(s sysfs, w Wire, d device) (float64, string, error) {
	q := quantityOf(w.Channel)
	in := inputOf(Hwmon, q)
	base := d.input
	if base == "" {
		base = in.usual
	}
	if w.Attribute != "" {
		base = strings.TrimSuffix(w.Attribute, "_input")
	}
	if q == bitQ {
		return s.number(d.dir, base)
	}
	broken, _, err := s.number(d.dir, base+"_fault")
	switch {
	case err == nil && broken != 0:
		return 0, "", &fault{probeOpen, fmt.Errorf("%s_fault is set: the chip's probe is open or shorted", base)}
	case err != nil && !errors.Is(err, fs.ErrNotExist):
		return 0, "", err
	}
	v, raw, err := s.number(d.dir, base+"_input")
	return v / in.perUnit, raw, err
}
