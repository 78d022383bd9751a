package hw

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
)

// device is where the kernel has put a chip at this moment. Numbers change when a chip is
// plugged in again, and may then belong to another one.
type device struct {
	dir   string // below the sysfs root
	node  string // file below /dev, for an I2C adapter
	own   string // where a driver of the kernel would show if it took our I2C chip
	where string // what a person is shown; empty for dir
	input string // the input whose label was asked for, like temp2; empty if it was the device's
	bus   string // what it shares with the devices that must wait for each other

	// What it was found by. A place that no longer shows the same is looked for anew.
	link, name, label string
}

// locate returns where the wire's device is now; last is where it was at the last read.
// It asks no chip anything: names and links lie in the kernel's memory.
func (s sysfs) locate(w Wire, last device) (device, error) {
	if last.dir != "" && last == s.look(w, last) {
		return last, nil
	}
	switch w.Driver {
	case W1:
		return s.thermometer(w)
	case I2C:
		return s.adapter(w)
	}
	return s.byName(w)
}

// look is d as it shows itself now.
func (s sysfs) look(w Wire, d device) device {
	d.link, _ = os.Readlink(filepath.Join(s.root, d.dir))
	if w.Driver == W1 {
		if _, err := os.Stat(filepath.Join(s.root, d.dir)); err != nil {
			d.dir = ""
		}
		return d
	}
	if d.own != "" && exists(filepath.Join(s.root, d.own)) {
		d.dir = ""
		return d
	}
	d.name, _ = s.text(d.dir, "name")
	d.label, _ = s.text(d.dir, d.labelFile())
	return d
}

// place is where a person finds the device.
func (d device) place() string {
	if d.where != "" {
		return d.where
	}
	return d.dir
}

func (d device) labelFile() string {
	if d.input == "" {
		return "label"
	}
	return d.input + "_label"
}

func (s sysfs) thermometer(w Wire) (device, error) {
	folder := deviceFolder(W1)
	d := s.look(w, device{dir: filepath.Join(folder, w.Address)})
	if d.dir == "" {
		there := s.entries(folder, func(name string) bool { return w1Address.MatchString(name) })
		return device{}, notThere("no such thermometer", there)
	}
	d.bus = s.busOf(W1, d.dir)
	return d, nil
}

// chipName is what the chip is called on the bus it hangs on, where the bus says so. Some of
// the kernel's drivers name their device otherwise: that of the nau7802 by its place on the
// bus, that of the ads1115 after a smaller sister (both seen on 6.1).
func (s sysfs) chipName(dir string) string {
	for up, levels := filepath.Dir(s.real(dir)), 2; levels > 0; up, levels = filepath.Dir(up), levels-1 {
		if !strings.Contains(filepath.Base(up), "-") { // the class folder between: hwmon, iio
			continue
		}
		if text, err := os.ReadFile(filepath.Join(up, "name")); err == nil {
			return strings.TrimSpace(string(text))
		}
	}
	return ""
}

// byName finds the one chip of that name and, where asked for, that label and address.
func (s sysfs) byName(w Wire) (device, error) {
	folder := deviceFolder(w.Driver)
	var names []string
	var found []device
	var refused error
	for _, entry := range s.entries(folder, nil) {
		d := device{dir: filepath.Join(folder, entry)}
		known := len(names)
		name, err := s.text(d.dir, "name")
		if errors.Is(err, fs.ErrPermission) {
			refused = err
		}
		if err != nil {
			continue // a trigger, or a chip that is being taken away
		}
		names = append(names, name)
		if chip := s.chipName(d.dir); chip != "" && chip != name {
			names = append(names, chip)
		}
		if !slices.Contains(names[known:], w.Device) {
			continue
		}
		var ok bool
		if d, ok = s.labelled(w, d); ok && s.addressed(w, d) {
			found = append(found, s.look(w, d))
		}
	}
	switch {
	case len(found) == 1:
		found[0].bus = s.busOf(w.Driver, found[0].dir)
		return found[0], nil
	case len(found) > 1:
		var dirs []string
		for _, d := range found {
			dirs = append(dirs, d.dir)
		}
		return device{}, &fault{ambiguous, fmt.Errorf("several devices carry this name: %s; tell them apart by label or address", strings.Join(dirs, ", "))}
	case refused != nil:
		return device{}, refused
	case slices.Contains(names, w.Device):
		return device{}, &fault{missing, errors.New("there is a device of this name, but none with this label and address")}
	}
	return device{}, notThere("no such device", names)
}

func notThere(what string, there []string) error {
	slices.Sort(there)
	list := strings.Join(slices.Compact(there), ", ")
	if list == "" {
		list = "none"
	}
	return &fault{missing, fmt.Errorf("%s; the kernel lists %s", what, list)}
}

// labelled reports whether d carries the label asked for, itself or at one of its inputs.
func (s sysfs) labelled(w Wire, d device) (device, bool) {
	if w.Label == "" {
		return d, true
	}
	if own, err := s.text(d.dir, "label"); err == nil && own == w.Label {
		return d, true
	}
	prefix := inputOf(w.Driver, quantityOf(w.Channel)).prefix
	for _, file := range s.entries(d.dir, func(name string) bool { return strings.HasSuffix(name, "_label") }) {
		if text, err := s.text(d.dir, file); err == nil && text == w.Label && strings.HasPrefix(file, prefix) {
			d.input = strings.TrimSuffix(file, "_label")
			return d, true
		}
	}
	return d, false
}

// addressed reports whether d sits at the bus address asked for.
func (s sysfs) addressed(w Wire, d device) bool {
	return w.Address == "" || slices.Contains(strings.Split(s.real(d.dir), "/"), w.Address)
}

// entries lists a folder, sorted; a folder that is not there has none.
func (s sysfs) entries(dir string, keep func(name string) bool) []string {
	list, _ := os.ReadDir(filepath.Join(s.root, dir))
	var names []string
	for _, e := range list {
		if keep == nil || keep(e.Name()) {
			names = append(names, e.Name())
		}
	}
	return names
}

// real is the path behind the links of a device's folder, which shows the bus it hangs on.
func (s sysfs) real(dir string) string {
	path, err := filepath.EvalSymlinks(filepath.Join(s.root, dir))
	if err != nil {
		return filepath.Join(s.root, dir)
	}
	return path
}

// A 1-wire master comes first: where a bridge chip drives it, the thermometer's 750 ms do not
// hold the I2C bus the bridge hangs on. A multiplexed I2C bus belongs to the one above it.
var busFolders = []*regexp.Regexp{
	regexp.MustCompile(`^.*/w1_bus_master[0-9]+(?:/|$)`),
	regexp.MustCompile(`^.*?/(?:i2c-|spi)[0-9]+(?:/|$)`),
}

// busOf is the part of the device's path that it shares with the devices it must wait for. A
// chip on lines of its own is a bus of its own.
func (s sysfs) busOf(d Driver, dir string) string {
	path := s.real(dir)
	for _, f := range busFolders {
		if bus := f.FindString(path); bus != "" {
			return strings.TrimSuffix(bus, "/")
		}
	}
	if d == W1 {
		return filepath.Dir(path)
	}
	return path
}
