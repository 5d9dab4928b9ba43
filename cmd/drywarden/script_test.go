package main

import (
	"os"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
)

// TestMain lets scripts run the program in a process of its own.
func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"drywarden": func() { os.Exit(mainCode()) }})
}
