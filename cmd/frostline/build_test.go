package main

import (
	"os"
	"regexp"
	"slices"
	"testing"
)

// TestBuildPageNamesOnlyCommandsThatThisBinaryHas keeps the page that leads a stranger from a
// bare board to a first reading from telling them to type what does not exist.
func TestBuildPageNamesOnlyCommandsThatThisBinaryHas(t *testing.T) {
	page, err := os.ReadFile("../../sensors/BUILD.md")
	if err != nil {
		t.Fatal(err)
	}
	var have []string
	for _, c := range commands() {
		have = append(have, c.name)
	}
	typed := regexp.MustCompile("(?m)(?:^|`|-u frostline )(?:sudo )?frostline ([a-z]+)").FindAllStringSubmatch(string(page), -1)
	if len(typed) < 5 {
		t.Fatalf("found only %v: the scan no longer sees the commands", typed)
	}
	for _, m := range typed {
		if !slices.Contains(have, m[1]) {
			t.Errorf("BUILD.md lets people type frostline %s; there are %v", m[1], have)
		}
	}
}
