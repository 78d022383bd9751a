package main

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestTwoOutputsIntoOneFileAreRefused however they are spelt, and a device takes both.
func TestTwoOutputsIntoOneFileAreRefused(t *testing.T) {
	dir := t.TempDir()
	t.Chdir(dir)
	err := errors.Join(os.WriteFile("there", []byte("kept"), 0o600), os.Link("there", "hard"), os.Symlink("there", "soft"),
		os.Mkdir("real", 0o700), os.Symlink("real", "byway"), os.WriteFile("other", nil, 0o600))
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		a, b string
		one  bool
	}{
		{"new", "new", true},
		{"new", "./new", true},
		{"new", filepath.Join(dir, "new"), true},
		{"real/new", "byway/new", true},
		{"there", "./there", true},
		{"there", "hard", true},
		{"there", "soft", true},
		{"-", "-", true},
		{"new", "newer", false},
		{"real/new", "new", false},
		{"there", "new", false},
		{"there", "other", false},
		{"-", "there", false},
		{"/dev/null", "/dev/null", false},
		{"", "", false},
	} {
		switch err := apart([]string{c.a, c.b}, nil); {
		case c.one && (!errors.Is(err, errUsage) || !strings.Contains(err.Error(), "cannot take both")):
			t.Errorf("%q and %q: %v, want a refusal", c.a, c.b, err)
		case !c.one && err != nil:
			t.Errorf("%q and %q: %v", c.a, c.b, err)
		}
	}
	if text, err := os.ReadFile("there"); err != nil || string(text) != "kept" {
		t.Errorf("it holds %q, %v", text, err)
	}
}
