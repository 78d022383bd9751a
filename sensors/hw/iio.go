package hw

import (
	"errors"
	"fmt"
	"io/fs"
	"regexp"
	"strings"
)

// hx711 is a chip whose kernel driver writes offset binary: an empty bridge reads as
// hx711Zero (sensing.md 3.2). Every other bridge ADC gives signed counts.
const (
	hx711     = "hx711"
	hx711Zero = 1 << 23
)

// readIIO is one value and the text it came from. load_counts are signed counts; everything
// else is brought to the unit of its channel: a processed value (_input) where there is one,
// otherwise (raw + offset) * scale. Scale and offset are read with every value, because a
// chip that lost its supply for a moment comes back with others.
func readIIO(s sysfs, w Wire, d device) (float64, string, error) {
	in := inputOf(IIO, quantityOf(w.Channel))
	base, processed := d.input, false
	if base == "" {
		base = in.usual
	}
	if w.Attribute != "" {
		base, processed = strings.CutSuffix(w.Attribute, "_input")
		base = strings.TrimSuffix(base, "_raw")
	}
	counts := quantityOf(w.Channel) == countsQ
	if !counts && w.Attribute != base+"_raw" {
		v, raw, err := s.number(d.dir, base+"_input")
		if err == nil || processed || !errors.Is(err, fs.ErrNotExist) {
			return v / in.perUnit, raw, err
		}
	}
	v, raw, err := s.number(d.dir, base+"_raw")
	if err != nil {
		return 0, raw, err
	}
	if w.Device == hx711 {
		v -= hx711Zero
	}
	if counts {
		return v, raw, nil
	}
	offset, err := s.shared(d, base, "_offset")
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return 0, raw, err
	}
	scale, err := s.shared(d, base, "_scale")
	if err != nil {
		return 0, raw, fmt.Errorf("scale of %s: %w", base, err)
	}
	return (v + offset) * scale / in.perUnit, raw, nil
}

var digits = regexp.MustCompile(`[0-9]+`)

// shared is an attribute that inputs may have each or all together: in_voltage0_scale, or
// in_voltage_scale for the chip.
func (s sysfs) shared(d device, base, suffix string) (float64, error) {
	v, _, err := s.number(d.dir, base+suffix)
	if !errors.Is(err, fs.ErrNotExist) {
		return v, err
	}
	all := digits.ReplaceAllString(base, "")
	v, _, err = s.number(d.dir, all+suffix)
	if one, _, differential := strings.Cut(all, "-"); differential && errors.Is(err, fs.ErrNotExist) {
		v, _, err = s.number(d.dir, one+suffix)
	}
	return v, err
}
