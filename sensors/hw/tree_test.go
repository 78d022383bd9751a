package hw

import (
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"frostline/sensors"
)

// tree is a made-up sysfs, laid as the kernel lays it: the device's folder lies below its
// bus, and the class or bus folder holds a numbered link to it.
type tree struct {
	t    *testing.T
	root string
}

func newTree(t *testing.T) tree { return tree{t, t.TempDir()} }

// files are attributes and their text.
type files map[string]string

func (tr tree) put(dir string, f files) {
	tr.t.Helper()
	full := filepath.Join(tr.root, dir)
	if err := os.MkdirAll(full, 0o755); err != nil {
		tr.t.Fatal(err)
	}
	for name, text := range f {
		// Written beside and moved in, as the kernel never shows half an attribute.
		tmp := filepath.Join(tr.root, ".new")
		if err := os.WriteFile(tmp, []byte(text), 0o644); err != nil {
			tr.t.Fatal(err)
		}
		if err := os.Rename(tmp, filepath.Join(full, name)); err != nil {
			tr.t.Fatal(err)
		}
	}
}

// plug lays a device at the place of its bus and links it under its number.
func (tr tree) plug(d Driver, place, number string, f files) (dir string) {
	tr.t.Helper()
	behind := filepath.Join("devices", place, number)
	tr.put(behind, f)
	folder := filepath.Join(tr.root, deviceFolder(d))
	if err := os.MkdirAll(folder, 0o755); err != nil {
		tr.t.Fatal(err)
	}
	up, err := filepath.Rel(folder, filepath.Join(tr.root, behind))
	if err != nil {
		tr.t.Fatal(err)
	}
	if err := os.Symlink(up, filepath.Join(folder, number)); err != nil {
		tr.t.Fatal(err)
	}
	return filepath.Join(deviceFolder(d), number)
}

// unplug takes a device away.
func (tr tree) unplug(dir string) {
	tr.t.Helper()
	behind, err := filepath.EvalSymlinks(filepath.Join(tr.root, dir))
	if err == nil {
		err = os.Remove(filepath.Join(tr.root, dir))
	}
	if err == nil {
		err = os.RemoveAll(behind)
	}
	if err != nil {
		tr.t.Fatal(err)
	}
}

// hang makes an attribute that never answers: a pipe nobody writes to. The returned func
// lets its reader go; it also runs when the test ends.
func (tr tree) hang(dir, name string) (release func()) {
	tr.t.Helper()
	path := filepath.Join(tr.root, dir, name)
	os.Remove(path)
	if err := syscall.Mkfifo(path, 0o644); err != nil {
		tr.t.Fatal(err)
	}
	release = func() {
		if fd, err := syscall.Open(path, syscall.O_RDWR|syscall.O_NONBLOCK, 0); err == nil {
			os.Remove(path)
			syscall.Close(fd)
		}
	}
	tr.t.Cleanup(release)
	return release
}

// A scratchpad and what the kernel writes about it. 0x0171 is 23.0625 °C.
func slave(scratch, verdict, t string) string {
	return scratch + " : crc=4b " + verdict + "\n" + scratch + " t=" + t + "\n"
}

const goodSlave = "71 01 4b 46 7f ff 0f 10 4b"

func wiringOf(wires ...Wire) sensors.Wiring {
	var w sensors.Wiring
	for _, x := range wires {
		w = append(w, sensors.Wire{Channel: x.Channel, Period: x.Period})
	}
	return w
}

// every gives the wires a period of a second where they have none.
func every(wires ...Wire) []Wire {
	for i := range wires {
		if wires[i].Period == 0 {
			wires[i].Period = time.Second
		}
	}
	return wires
}

// open opens a board on these wires; the test closes it.
func open(t *testing.T, root string, wires ...Wire) *Board {
	t.Helper()
	wires = every(wires...)
	b, err := Open(Options{Root: root, Wires: wires, Wiring: wiringOf(wires...)})
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// read is one tick's readings.
func read(t *testing.T, b *Board, n int) []sensors.Reading {
	t.Helper()
	into := make([]sensors.Reading, n)
	if _, err := b.Read(t.Context(), into); err != nil {
		t.Fatalf("a board must go on reading whatever its devices do: %v", err)
	}
	return into
}
