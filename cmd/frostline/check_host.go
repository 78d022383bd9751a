package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"net/url"
	"os"
	"os/user"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"time"

	"frostline/config"
	"frostline/sensors"
	"frostline/sensors/hw"
)

const (
	leastFreeB   = 200 << 20 // ten days of the write budget and room for the database to move in; engineering judgement
	brokerWithin = 3 * time.Second
)

// checkBuses says which of the kernel's folders the sensors need and none has: then no
// sensor of that kind can be there, and one line says it better than ten. The name of the
// 1-wire overlay is from memory.
func checkBuses(cfg *config.Config, sysfs string) (out []finding) {
	for _, b := range []struct {
		driver            hw.Driver
		what, folder, fix string
	}{
		{hw.IIO, "industrial I/O", "bus/iio/devices", "the chip's driver is not loaded, or the device-tree overlay that names the chip is not switched on; i2cdetect shows whether the chip answers"},
		{hw.Hwmon, "hardware monitoring", "class/hwmon", "the chip's driver is not loaded, or the device-tree overlay that names the chip is not switched on"},
		{hw.W1, "1-wire", "bus/w1/devices", "the 1-wire overlay is not switched on (on many boards the line dtoverlay=w1-gpio), or its driver is not loaded"},
	} {
		if !slices.ContainsFunc(cfg.Board, func(w hw.Wire) bool { return w.Driver == b.driver }) {
			continue
		}
		if _, err := os.Stat(filepath.Join(sysfs, b.folder)); err != nil {
			out = append(out, finding{What: string(b.driver), Where: b.folder, Wrong: "the kernel has no " + b.what + " devices at all", DoThis: b.fix})
		}
	}
	return out
}

// checkStore writes and syncs a file where the state lives, and looks how much room is left.
func checkStore(dir string) finding {
	f := finding{What: "store", Where: dir, DoThis: "make the directory, and let the user frostline runs as write to it"}
	probe, err := os.CreateTemp(dir, ".check-*")
	if err == nil {
		_, err = probe.WriteString("frostline\n")
		if e := probe.Sync(); err == nil {
			err = e
		}
		probe.Close()
		os.Remove(filepath.Join(dir, filepath.Base(probe.Name())))
	}
	if err != nil {
		f.Wrong = err.Error()
		return f
	}
	return room(f, freeB(dir))
}

// room judges the bytes that are left; below 0 they are not known.
func room(f finding, free int64) finding {
	f.OK, f.DoThis = true, ""
	switch {
	case free < 0:
		f.Note = "how much room is left is not known"
	case free < leastFreeB:
		f.OK, f.Wrong, f.DoThis = false, fmt.Sprintf("%d MB left", free>>20), "make room: 200 MB are wanted, or the ledger ends when the disk is full"
	default:
		f.Note = fmt.Sprintf("%d MB free", free>>20)
	}
	return f
}

func freeB(dir string) int64 {
	var s syscall.Statfs_t
	if err := syscall.Statfs(dir, &s); err != nil {
		return -1
	}
	return int64(s.Bavail) * int64(s.Bsize)
}

// checkClock says whether the time of day can be believed. An unset clock is ordinary in a
// van and wakes nobody, so it is no fault.
func checkClock(r sensors.Reading) finding {
	f := finding{What: "clock", Where: time.Now().UTC().Format(time.RFC3339), OK: true}
	switch {
	case r.Quality == sensors.Good && r.Value == 1:
		f.Note = "synchronised since the start"
	case r.Quality == sensors.Good:
		f.Note = "not synchronised: nights have no date until it is; a real-time clock chip keeps it over a power cut"
	default:
		f.Note = "whether it is synchronised, this user may not ask"
	}
	return f
}

// checkBroker connects to the broker, and no more: its login is tried by the daemon.
func checkBroker(ctx context.Context, m *config.MQTT) []finding {
	if m == nil {
		return nil
	}
	f := finding{What: "broker", Where: m.Broker}
	u, err := url.Parse(m.Broker)
	if err == nil {
		host := u.Host
		if u.Port() == "" {
			host = net.JoinHostPort(u.Hostname(), map[string]string{"tls": "8883"}[u.Scheme])
			if u.Scheme != "tls" {
				host = net.JoinHostPort(u.Hostname(), "1883")
			}
		}
		ctx, cancel := context.WithTimeout(ctx, brokerWithin)
		defer cancel()
		var c net.Conn
		if c, err = new(net.Dialer).DialContext(ctx, "tcp", host); err == nil {
			c.Close()
		}
	}
	if err != nil {
		f.Wrong, f.DoThis = err.Error(), "look whether the broker runs and whether the address is right; alarms sound without it, and are sent when it is back"
		return []finding{f}
	}
	f.OK, f.Note = true, "answers; name and password are tried by the daemon"
	return []finding{f}
}

// checkNodes looks at the device nodes this user must open, and which groups it is in.
func checkNodes(cfg *config.Config, dev string) (out []finding) {
	if cfg.Sounder == nil {
		return nil
	}
	f := finding{What: "permissions", Where: filepath.Join(dev, "gpiochip*"), OK: true}
	chips, _ := filepath.Glob(f.Where) // the pattern is a constant
	if len(chips) == 0 {
		f.OK, f.Wrong, f.DoThis = false, "the kernel has no GPIO chip", "a sounder needs one: look at the board's kernel"
		return []finding{f}
	}
	for _, chip := range chips {
		file, err := os.OpenFile(chip, os.O_RDWR, 0)
		if err == nil {
			file.Close()
			continue
		}
		f.OK, f.Wrong = false, err.Error()
		if errors.Is(err, fs.ErrPermission) {
			f.DoThis = "add the user that runs this to the group gpio (this one is in " + groups() + "); the installed service is in gpio and i2c already"
		} else {
			f.DoThis = "look at the owner and mode of the file"
		}
		return []finding{f}
	}
	f.Note = "GPIO can be opened; groups " + groups()
	return []finding{f}
}

// groups are the groups of this process by name.
func groups() string {
	ids, err := os.Getgroups()
	if err != nil || len(ids) == 0 {
		return "no group"
	}
	var names []string
	for _, id := range ids {
		name := fmt.Sprint(id)
		if g, err := user.LookupGroupId(name); err == nil {
			name = g.Name
		}
		names = append(names, name)
	}
	return strings.Join(names, ", ")
}
