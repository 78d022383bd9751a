package main

import (
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// TestBuildPageNamesOnlyCommandsThatThisBinaryHas keeps the page that leads a stranger from a
// bare board to a first reading from telling them to type what does not exist. Behind the
// heading "Guided" stands what some versions have, and says so.
func TestBuildPageNamesOnlyCommandsThatThisBinaryHas(t *testing.T) {
	page, err := os.ReadFile("../../sensors/BUILD.md")
	if err != nil {
		t.Fatal(err)
	}
	before, _, found := strings.Cut(string(page), "\n### Guided")
	if !found {
		t.Fatal("the heading Guided is gone: which commands does the page promise?")
	}
	var have []string
	for _, c := range commands() {
		have = append(have, c.name)
	}
	typed := regexp.MustCompile("(?m)(?:^|`|-u frostline )(?:sudo )?frostline ([a-z]+)").FindAllStringSubmatch(before, -1)
	if len(typed) < 5 {
		t.Fatalf("found only %v: the scan no longer sees the commands", typed)
	}
	for _, m := range typed {
		if !slices.Contains(have, m[1]) {
			t.Errorf("BUILD.md lets people type frostline %s; there are %v", m[1], have)
		}
	}
}
