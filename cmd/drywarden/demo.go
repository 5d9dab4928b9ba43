package main

import (
	_ "embed"

	"drywarden/cmd/drywarden/internal/kilnfile"
	"drywarden/controller"
)

//go:embed demo/kiln.toml
var demoKilnText []byte

//go:embed demo/charge.toml
var demoChargeText []byte

func demoKiln() (*kilnfile.File, error) { return kilnfile.Read("demo/kiln.toml", demoKilnText) }

func demoCharge() controller.ChargeFiles {
	return controller.ChargeFiles{Charge: controller.File{Name: "demo/charge.toml", Text: string(demoChargeText)}}
}
