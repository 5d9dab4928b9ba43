package campaign

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// stormDensity is how much more often things fail in a storm than in the field.
const stormDensity = 50

// storm is a whole charge under a storm of faults, as `drywarden simulate --storm 50 --seed N --json` runs it. Kiln and
// charge are drawn from the seed too; every eighth is the demonstration's.
type storm struct{ seed uint64 }

func (s storm) name() string { return fmt.Sprintf("storm:%d", s.seed) }

// stormResult is what simulate tells of a charge, as far as it is judged here.
type stormResult struct {
	Days       float64 `json:"days"`
	Done       bool    `json:"done"`
	Trips      int     `json:"trips"`
	Alarms     int     `json:"alarms"`
	Violations uint64  `json:"invariant_violations"`
	Broken     []struct {
		Name, Seen, Expected string
		Boot                 uint32
		Tick                 uint64
	} `json:"violations"`
}

// args writes the drawn kiln and charge into the folder and gives the arguments of simulate.
func (s storm) args(folder string) ([]string, error) {
	args := []string{"simulate", "--storm", fmt.Sprint(stormDensity), "--seed", fmt.Sprint(s.seed), "--json"}
	if s.seed%8 == 0 {
		return args, nil
	}
	kiln, charge := drawKiln(s.seed)
	config := filepath.Join(folder, fmt.Sprintf("storm-%d.toml", s.seed))
	sheet := filepath.Join(folder, fmt.Sprintf("storm-%d.charge.toml", s.seed))
	if err := errors.Join(os.WriteFile(config, []byte(kiln), 0o644), os.WriteFile(sheet, []byte(charge), 0o644)); err != nil {
		return nil, err
	}
	return append(args, "--config", config, "--charge", sheet), nil
}

// run dries the charge with the built program. The error says that it could not be run; what is wrong with the charge is in
// found.
func (s storm) run(program, folder string, twice bool) (result stormResult, found []string, err error) {
	args, err := s.args(folder)
	if err != nil {
		return result, nil, err
	}
	text, err := simulate(program, args)
	if err != nil {
		return result, nil, err
	}
	if err := json.Unmarshal(text, &result); err != nil {
		return result, []string{fmt.Sprintf("no result: %v: %.300s", err, text)}, nil
	}
	for _, v := range result.Broken {
		found = append(found, fmt.Sprintf("%s: boot %d, tick %d: %s, expected %s", v.Name, v.Boot, v.Tick, v.Seen, v.Expected))
	}
	if result.Violations > 0 && len(found) == 0 {
		found = append(found, fmt.Sprintf("%d violations", result.Violations))
	}
	if twice {
		again, err := simulate(program, args)
		if err != nil {
			return result, found, err
		}
		if !bytes.Equal(text, again) {
			found = append(found, "the same seed gave another result")
		}
	}
	return result, found, nil
}

// simulate runs the program. Exit code 1 says that the charge was not done or the audit found something: the result says
// which.
func simulate(program string, args []string) ([]byte, error) {
	var out, complaint bytes.Buffer
	cmd := exec.CommandContext(context.Background(), program, args...)
	cmd.Stdout, cmd.Stderr = &out, &complaint
	cmd.Env = append(os.Environ(), "GOMAXPROCS=1")
	err := cmd.Run()
	var exit *exec.ExitError
	if err != nil && (!errors.As(err, &exit) || exit.ExitCode() != 1) {
		return nil, fmt.Errorf("%s %s: %w: %.2000s", program, strings.Join(args, " "), err, complaint.String())
	}
	return out.Bytes(), nil
}

// stormWood is what is drawn from: species, thickness, start when green or air-dried, all within published limits.
var stormWood = []struct {
	species   string
	thickness []string
	start     [2]float64
}{
	{"ash, white", []string{"4/4", "5/4", "6/4"}, [2]float64{16, 45}},
	{"basswood, American", []string{"4/4", "5/4"}, [2]float64{20, 80}},
	{"beech, American", []string{"4/4", "5/4"}, [2]float64{16, 40}},
	{"birch, yellow", []string{"4/4", "5/4"}, [2]float64{16, 60}},
	{"cherry, black", []string{"4/4", "5/4", "6/4"}, [2]float64{16, 55}},
	{"hickory, pignut", []string{"4/4"}, [2]float64{16, 35}},
	{"maple, sugar", []string{"4/4", "5/4", "6/4", "8/4"}, [2]float64{16, 60}},
	{"maple, red", []string{"4/4", "5/4"}, [2]float64{16, 70}},
	{"oak, northern red", []string{"4/4", "5/4"}, [2]float64{16, 60}},
	{"oak, white", []string{"4/4"}, [2]float64{16, 40}},
	{"walnut, black", []string{"4/4", "5/4", "6/4", "8/4"}, [2]float64{16, 70}},
	{"yellow-poplar", []string{"4/4", "5/4", "8/4"}, [2]float64{18, 90}},
	{"sweetgum", []string{"4/4"}, [2]float64{18, 60}},
}

// drawKiln draws a kiln file and a charge sheet. Few boards stand for each lot: what a storm is about is the machine.
func drawKiln(seed uint64) (kiln, charge string) {
	r := rand.New(rand.NewPCG(seed, 0x57))
	between := func(low, high float64) float64 { return low + (high-low)*r.Float64() }
	often := func(share float64) bool { return r.Float64() < share }
	small, spray, sterile := often(0.5), often(0.7), often(0.25)

	k, c := &strings.Builder{}, &strings.Builder{}
	volume, lots := between(40, 90), 1+r.IntN(3)
	if small {
		volume, lots = between(8, 14), 1+r.IntN(2)
	}
	fmt.Fprintf(k, "name = \"storm\"\nunits = \"si\"\naltitude = \"%.0f m\"\nvolume = \"%.1f m3\"\nstate = \"state\"\nmetrics = \"off\"\n", between(0, 1500), volume)
	fmt.Fprintf(k, "[hardware]\nkind = \"simulated\"\n[limits]\nhard_limit = \"75 C\"\ndriest_air = \"%.0f %%\"\n", between(24, 30))
	fmt.Fprintf(k, "[compressor]\nambient_max = \"%.0f C\"\nstarts_per_hour = %d\n", between(50, 58), 3+r.IntN(3))
	fmt.Fprintf(k, "drying_max = \"%.0f C\"\n", between(40, 46))
	fmt.Fprintf(k, "[fans]\nreverse_wet = \"%d h\"\nreverse_dry = \"%d h\"\n", 2+r.IntN(5), 6+r.IntN(7))
	fmt.Fprintf(k, "[simulated]\nload = \"storm-%d.charge.toml\"\nseed = %d\nboards_per_lot = %d\n", seed, seed, 3+r.IntN(3))
	if small {
		fmt.Fprintf(k, "[simulated.room]\nheat_loss = \"18 W/K\"\nair_changes = \"%.2f /h\"\nstructure = \"0.3 MJ/K\"\nstructure_exchange = \"60 W/K\"\nwall_square_meters = 28.0\nstart_temperature = \"%.0f C\"\n", between(0.05, 0.3), between(10, 25))
		fmt.Fprintf(k, "[simulated.fans]\ngroups = 1\npower = \"0.25 kW\"\nflow = \"9000 m3/h\"\ncoast = \"%d s\"\ndrive = false\n", 30+r.IntN(30))
		fmt.Fprintf(k, "[simulated.machine]\nscale = %.3f\nblower_low = false\ncrankcase = \"20 W\"\nhold_up = \"0.1 kg\"\n", between(0.065, 0.2))
		fmt.Fprintf(k, "[simulated.heat]\nstages = 1\npower = \"%.1f kW\"\n", between(0.6, 1.5))
		fmt.Fprintf(k, "[simulated.vent]\nfitted = %t\nflow = \"60 m3/h\"\n[simulated.spray]\nfitted = %t\nrate = \"1.5 kg/h\"\n", often(0.85), spray)
	} else {
		fmt.Fprintf(k, "[simulated.room]\nair_changes = \"%.2f /h\"\nstart_temperature = \"%.0f C\"\n", between(0.05, 0.3), between(5, 25))
		fmt.Fprintf(k, "[simulated.fans]\ngroups = %d\ndrive = %t\n", 1+r.IntN(4), often(0.5))
		fmt.Fprintf(k, "[simulated.machine]\nscale = %.2f\nblower_low = %t\n", between(0.6, 1.5), often(0.5))
		stages := 1 + r.IntN(3)
		fmt.Fprintf(k, "[simulated.heat]\nstages = %d\npower = \"%.0f kW\"\n", stages, 3*float64(stages))
		fmt.Fprintf(k, "[simulated.vent]\nfitted = %t\n[simulated.spray]\nfitted = %t\n", often(0.85), spray)
	}
	fmt.Fprintf(k, "[simulated.weather]\nmean = \"%.0f C\"\ndaily_swing = \"%.0f K\"\nseasonal_swing = \"%.0f K\"\nnoise = \"%.0f K\"\nhumidity = \"%.0f %%\"\nday_of_year = %d\n",
		between(2, 24), between(0, 8), between(0, 12), between(0, 4), between(45, 90), 1+r.IntN(365))
	wet, humid, cores := 1, r.IntN(2), 1+r.IntN(2)
	if sterile {
		cores = 2 // as the treatment wants
	}
	if often(0.15) {
		wet, humid = 0, 1
	}
	fmt.Fprintf(k, "[simulated.probes]\ndry_bulbs = %d\nwet_bulbs = %d\nhumidity = %d\nleaving_air = %d\ncores_per_lot = %d\npins_per_lot = %d\noutdoor = %t\n",
		2+r.IntN(2), wet, humid, r.IntN(2), cores, r.IntN(3), often(0.8))
	fmt.Fprintf(k, "[simulated.person]\nnotice = \"%d min\"\nmend = \"%d min\"\nwrong_weights = \"%.1f %%\"\nwrong_oven_dry = \"%.0f %%\"\nignored_alarms = \"%.0f %%\"\ndoor_opened = \"%.0f %%\"\n",
		10+r.IntN(300), 20+r.IntN(600), between(0, 3), between(0, 10), between(0, 20), between(0, 40))

	fmt.Fprintf(c, "id = \"storm-%d\"\nconditioning = %t\n", seed, spray && often(0.6))
	fmt.Fprintf(c, "[equalizing]\nemc_below = \"0.3 %%\"\nend_above = \"%.1f %%\"\n", between(1.5, 3))
	samples := &strings.Builder{}
	each := between(1.0, 2.0)
	if small {
		each = between(0.6, 1.4) / float64(lots)
	}
	for i := range lots {
		w := stormWood[r.IntN(len(stormWood))]
		fmt.Fprintf(c, "[[lot]]\nname = \"lot %d\"\nspecies = %q\nthickness = %q\nvolume = \"%.2f m3\"\nstart = \"%.1f %%\"\ntarget = \"%.1f %%\"\n",
			i+1, w.species, w.thickness[r.IntN(len(w.thickness))], each, between(w.start[0], w.start[1]), between(7.5, 9.5))
		if sterile {
			fmt.Fprint(c, "treatment = \"insect\"\n")
		}
		for j := range 2 + r.IntN(2) {
			fmt.Fprintf(samples, "[[sample]]\nname = \"s%d-%d\"\nlot = \"lot %d\"\n", i+1, j+1, i+1)
		}
	}
	return k.String(), c.String() + samples.String()
}

// Every drawn kiln and charge is one that the program takes, and works without a fault.
func TestDrawnStormsStart(t *testing.T) {
	if testing.Short() {
		t.Skip("builds the program")
	}
	program, folder := build(t), t.TempDir()
	for seed := *firstDrawn; seed < *firstDrawn+*drawn; seed++ {
		args, err := storm{seed}.args(folder)
		require.NoError(t, err)
		args[2] = "0"
		text, err := simulate(program, append(args, "--max-days", "0.1"))
		require.NoError(t, err)
		var result stormResult
		require.NoError(t, json.Unmarshal(text, &result))
		require.Greater(t, result.Days, 0.09, args)
		require.Zero(t, result.Violations, "%v", result.Broken)
	}
}

var (
	firstDrawn = flag.Uint64("drawn.first", 1, "first seed of TestDrawnStormsStart")
	drawn      = flag.Uint64("drawn", 5, "how many seeds TestDrawnStormsStart tries")
)
