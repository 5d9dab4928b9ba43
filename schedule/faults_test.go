package schedule

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"drywarden/schedule/sheet"
)

const goodCharge = `id = "demo"
schedule = ""
[[lot]]
name = "maple"
owner = "Hollow Creek Cabinets"
species = "maple, hard"
thickness = "4/4"
volume = "500 bf"
start = "40 %"
target = "7 %"
[[lot]]
name = "walnut"
species = "walnut, black"
thickness = "8/4"
volume = "1.2 m3"
start = "35 %"
target = "7 %"
tolerance = "0.5 %"
treatment = "none"
[[sample]]
name = "1"
lot = "maple"
[[sample]]
name = "2"
lot = "walnut"
`

// Each change of a good sheet gives exactly the faults named.
func TestFaultsOfChargeSheets(t *testing.T) {
	small := func(k *Kiln) { k.Spray, k.Heat, k.HeatMax, k.Cores = false, false, 0, 0 }
	for name, tt := range map[string]struct {
		old, new string
		kiln     func(*Kiln)
		want     string
	}{
		"unit missing":        {`start = "40 %"`, `start = "40"`, nil, `charge.toml:9: lot[1].start: found "40", expected a moisture content with its unit (%)`},
		"bare number":         {`volume = "1.2 m3"`, `volume = 1.2`, nil, `charge.toml:15: lot[2].volume: found 1.2, expected a volume with its unit (m3, bf, MBF, ft3, L)`},
		"NaN":                 {`target = "7 %"`, `target = nan`, nil, `charge.toml:10: lot[1].target: found nan, expected a moisture content with its unit (%)`},
		"NaN in quotes":       {`target = "7 %"`, `target = "nan %"`, nil, `charge.toml:10: lot[1].target: found "nan %", expected a moisture content with its unit (%)`},
		"infinity":            {`volume = "500 bf"`, `volume = inf`, nil, `charge.toml:8: lot[1].volume: found inf, expected a volume with its unit (m3, bf, MBF, ft3, L)`},
		"too large to be":     {`volume = "500 bf"`, `volume = "1e999 bf"`, nil, `charge.toml:8: lot[1].volume: found "1e999 bf", expected a volume with its unit (m3, bf, MBF, ft3, L)`},
		"unknown key":         {`thickness = "8/4"`, `thicknes = "8/4"`, nil, "charge.toml:11: lot[2].thickness: found nothing, expected a length with its unit (mm, m, cm, in, ft)\ncharge.toml:14: lot[2].thicknes: found an unknown key, expected thickness"},
		"duplicate id":        {`name = "walnut"`, `name = "maple"`, nil, "charge.toml:12: lot[2].name: found \"maple\", expected a name of its own; lot 1 has it\ncharge.toml:25: sample[2].lot: found \"walnut\", expected the name of a lot of this sheet"},
		"duplicate sample":    {"name = \"2\"", "name = \"1\"", nil, `charge.toml:24: sample[2].name: found "1", expected a name of its own; sample 1 has it`},
		"key twice":           {`owner = "Hollow Creek Cabinets"`, `name = "maple"`, nil, `charge.toml:5: lot[1].name: found a key that is defined already, expected each key once`},
		"no id":               {`id = "demo"`, ``, nil, `charge.toml:1: id: found nothing, expected text in quotes`},
		"unknown species":     {`species = "walnut, black"`, `species = "wallnut"`, nil, `charge.toml:13: lot[2].species: found "wallnut", expected a species of the table (unknown species "wallnut", nearest: walnut, black`},
		"thickness":           {`thickness = "8/4"`, `thickness = "20 in"`, nil, `charge.toml:14: lot[2].thickness: found "20 in", expected 10 mm to 110 mm`},
		"below target":        {`start = "35 %"`, `start = "7 %"`, nil, `charge.toml:16: lot[2].start: found "7 %", expected more than the target of 7 %`},
		"target":              {`target = "7 %"`, `target = "3 %"`, nil, `charge.toml:10: lot[1].target: found "3 %", expected 4 % to 25 %`},
		"tolerance":           {`tolerance = "0.5 %"`, `tolerance = "0 %"`, nil, `charge.toml:18: lot[2].tolerance: found "0 %", expected more than 0 and at most 5 %`},
		"no samples of a lot": {`lot = "walnut"`, `lot = "maple"`, nil, `charge.toml:11: lot[2]: found nothing, expected a [[sample]] with lot = "walnut": each lot needs a sample board, better two`},
		"unweighed sample":    {`lot = "walnut"`, "lot = \"walnut\"\nweight = \"2 kg\"", func(k *Kiln) { k.Simulated = false }, "charge.toml:20: sample[1].weight: found nothing, expected the weight when cut\ncharge.toml:23: sample[2].oven_dry: found nothing, expected one of oven_dry, moisture, section"},
		"never ends":          {`target = "7 %"`, `target = "6.5 %"`, nil, `charge.toml:10: lot[1].target: found 6.5 %, which this kiln could never reach, expected 6.7 % or more: the driest air that it can make, vents and heat included, has an EMC of 5.1 % at 48.9 C`},
		"code":                {`treatment = "none"`, `code = "T9-X9"`, nil, `charge.toml:19: lot[2].code: found "T9-X9", expected a schedule that can be made (`},
		"treatment":           {`treatment = "none"`, `treatment = "fumigate"`, nil, `charge.toml:19: lot[2].treatment: found "fumigate", expected one of none, insect, phytosanitary, pitch`},
		"no heater":           {`treatment = "none"`, `treatment = "phytosanitary"`, small, `charge.toml:19: lot[2].treatment: found phytosanitary, expected none: this kiln has no heater for it`},
		"too few cores":       {`treatment = "none"`, `treatment = "phytosanitary"`, func(k *Kiln) { k.Cores = 1 }, `charge.toml:19: lot[2].treatment: found phytosanitary, expected none: it needs 2 core probes and this kiln has 1`},
		"kiln not hot enough": {`treatment = "none"`, `treatment = "pitch"`, nil, `charge.toml:19: lot[2].treatment: found pitch, expected a treatment for which a dry bulb of 70.0 C, the limit of machine and wood, is enough: this one needs 75.1 C`},
		"wood not so hot":     {goodCharge[strings.Index(goodCharge, "species = \"walnut"):strings.Index(goodCharge, "[[sample]]")], "species = \"cedar, eastern red\"\nthickness = \"4/4\"\nvolume = \"1 m3\"\nstart = \"33 %\"\ntarget = \"7 %\"\ntreatment = \"insect\"\n", nil, "charge.toml:18: lot[2].treatment: found insect, expected a treatment for which a dry bulb of 45.0 C, the limit of machine and wood, is enough: this one needs 64.0 C"},
		"no spray":            {`schedule = ""`, `conditioning = true`, small, `charge.toml:2: conditioning: found true, expected false: this kiln has no spray`},
		"no schedule file":    {`schedule = ""`, `schedule = "own"`, nil, `charge.toml:2: schedule: found "own", expected a schedule file own.schedule.toml that can be read`},
		"equalizing rule":     {`schedule = ""`, `equalizing = { rule = "newest", end_above = "9 %" }`, nil, "charge.toml:2: equalizing.end_above: found \"9 %\", expected 0 % to 4 %\ncharge.toml:2: equalizing.rule: found \"newest\", expected one of mean, handbook, handbook_softwood, none"},
		"softwood alone":      {goodCharge[strings.Index(goodCharge, "[[lot]]"):], "[[lot]]\nname = \"p\"\nspecies = \"pine, eastern white\"\nthickness = \"4/4\"\nvolume = \"1 m3\"\nstart = \"100 %\"\ntarget = \"9 %\"\n[[sample]]\nname = \"1\"\nlot = \"p\"\n", nil, "charge.toml:2: schedule: found nothing, expected a schedule file, stages in this sheet, or a code: for softwoods alone none is published here"},
		"sample weights":      {`lot = "walnut"`, "lot = \"walnut\"\nweight = \"2 kg\"\noven_dry = \"2.1 kg\"", nil, `charge.toml:27: sample[2].oven_dry: found "2.1 kg", expected less than the weight of 2 kg`},
		"sample twice told":   {`lot = "walnut"`, "lot = \"walnut\"\nweight = \"2 kg\"\noven_dry = \"1.5 kg\"\nmoisture = \"30 %\"", nil, `charge.toml:23: sample[2]: found several of oven_dry, moisture and section, expected one of them`},
	} {
		t.Run(name, func(t *testing.T) {
			require.Contains(t, goodCharge, tt.old)
			kiln := testKiln()
			if tt.kiln != nil {
				tt.kiln(&kiln)
			}
			got := faultsOf(strings.Replace(goodCharge, tt.old, tt.new, 1), kiln)
			gotLines, wantLines := strings.Split(got, "\n"), strings.Split(tt.want, "\n")
			require.Len(t, gotLines, len(wantLines), got)
			for i, want := range wantLines {
				require.True(t, strings.HasPrefix(gotLines[i], want), "\n%s\n%s", gotLines[i], want)
			}
		})
	}
	require.Empty(t, faultsOf(goodCharge, testKiln()))
}

func faultsOf(text string, kiln Kiln) string {
	c, _ := ParseCharge("charge.toml", []byte(text))
	if _, err := Resolve(c, kiln); err != nil {
		return err.Error()
	}
	return ""
}

// One bad line hides no other, of the sheet or of the schedule file.
func TestEveryFaultOfBothFilesAtOnce(t *testing.T) {
	c, err := ParseCharge("charge.toml", []byte(`id = 5
colour = "red"
schedule = "own"
[[lot]]
name = "a"
species = "granite"
thickness = "four"
volume = "0 bf"
start = "40 %"
target = "7 %"
`))
	require.Error(t, err)
	s, err := ParseSchedule("own.schedule.toml", []byte(strings.Replace(written, `depression = "4 Fd"`, `depression = "4 F"`, 1)))
	require.Error(t, err)
	c.Use(s)
	_, err = Resolve(c, testKiln())
	require.Equal(t, strings.TrimSpace(`
charge.toml:1: id: found 5, expected text in quotes
charge.toml:2: colour: found an unknown key, expected one of conditioning, control, equalizing, id, lot, notes, sample, schedule, stage
charge.toml:4: lot[1]: found nothing, expected a [[sample]] with lot = "a": each lot needs a sample board, better two
`), strings.Join(strings.Split(err.Error(), "\n")[:3], "\n"))
	require.Contains(t, err.Error(), `charge.toml:6: lot[1].species: found "granite"`)
	require.Contains(t, err.Error(), `charge.toml:7: lot[1].thickness: found "four"`)
	require.Contains(t, err.Error(), `charge.toml:8: lot[1].volume: found "0 bf", expected more than 0 and at most 200 m3`)
	require.Contains(t, err.Error(), `own.schedule.toml:13: stage[2].depression: found "4 F", expected a temperature difference with its unit (K, Fd)`)
	require.Len(t, err.(*sheet.Faults).List, 7, err.Error())

	_, again := Resolve(c, testKiln())
	require.Equal(t, err, again, "judging changes nothing")
}

func TestFaultsOfScheduleFiles(t *testing.T) {
	for name, tt := range map[string]struct {
		old, new string
		want     string
	}{
		"no source":              {`source = "the yard's own notes"`, "", `1: source: found nothing, expected text in quotes`},
		"unknown kind":           {`kind = "preheat"`, `kind = "warm"`, `4: stage[1].kind: found "warm", expected one of preheat, dry, equalize, condition, heat, cool`},
		"first stage":            {written[strings.Index(written, "[[stage]]"):strings.Index(written, `[[stage]]`+"\nname")], "", `5: stage[1].kind: found dry as the first stage, expected preheat`},
		"order":                  {`kind = "cool"`, `kind = "equalize"`, "37: stage[8].kind: found equalize at this place, expected the order preheat, dry (one or more), equalize, condition, heat, cool"},
		"no humidity":            {`depression = "4 Fd"`, ``, `9: stage[2].emc: found nothing, expected one of emc, depression, wet_bulb, rh`},
		"two humidities":         {`depression = "4 Fd"`, "emc = \"17 %\"\nrh = \"88 %\"", `9: stage[2]: found several of emc, depression, wet_bulb and rh, expected one of them`},
		"wet bulb over dry bulb": {`wet_bulb = "101 F"`, `wet_bulb = "116 F"`, `18: stage[3].wet_bulb: found "116 F", expected air that can be at a dry bulb of 46.1 C`},
		"depression too large":   {`wet_bulb = "101 F"`, `depression = "60 Fd"`, `18: stage[3].depression: found "60 Fd", expected air that can be at a dry bulb of 46.1 C`},
		"EMC out of range":       {`depression = "4 Fd"`, `emc = "25 %"`, `13: stage[2].emc: found "25 %", expected 3 % to 24 %`},
		"EMC of RH out of range": {`depression = "4 Fd"`, `rh = "99.9 %"`, `13: stage[2].rh: found "99.9 %", an EMC of`},
		"no end":                 {`until = { moisture = "40 %", at_least = "24 h" }`, ``, `9: stage[2].until.moisture: found nothing, expected the moisture at which the stage is over`},
		"moisture rises":         {`until = { moisture = "25 %" }`, `until = { moisture = "45 %" }`, `19: stage[3].until.moisture: found "45 %", expected less than the 40 % of the stage before`},
		"ramp":                   {`ramp = "3 Fd/h"`, `ramp = "9 Fd/h"`, `7: stage[1].ramp: found "9 Fd/h", expected at most 3 K/h in a preheat stage of this wood`},
		"machine's limit":        {`dry_bulb = "115 F"`, `dry_bulb = "125 F"`, `17: stage[3].dry_bulb: found "125 F", expected at most 48.9 C, the machine's limit in a dry stage`},
		"heat over the machine":  {`dry_bulb = "150 F"`, `dry_bulb = "160 F"`, `32: stage[7].dry_bulb: found "160 F", expected at most 70.0 C, the machine's limit in a heat stage`},
		"heat under the core":    {`dry_bulb = "150 F"`, `dry_bulb = "135 F"`, `32: stage[7].dry_bulb: found "135 F", expected 60 C or more: the core must come to 56 C with a margin of 1 K`},
		"exposure without unit":  {`exposure = "30 min"`, `exposure = 30`, `34: stage[7].exposure: found 30, expected a duration with its unit (s, min, h, d)`},
		"count":                  {`count = "unbroken"`, `count = "sometimes"`, `35: stage[7].count: found "sometimes", expected one of unbroken, cumulative`},
		"cores":                  {`count = "unbroken"`, `cores = 5`, `31: stage[7].kind: found heat, expected 5 core probes for a heat stage; this kiln has 4`},
		"key of another kind":    {`rh = "28 %"`, "rh = \"28 %\"\ncore = \"56 C\"", `24: stage[4].core: found a key in a stage of kind dry, expected none; it does nothing there`},
		"never ends":             {`rh = "28 %"`, `emc = "6 %"`, `23: stage[4].emc: found an EMC of 6 % in the last dry stage, with which the charge would never end, expected at most 5.5 %, for the lowest target of 7 %`},
		"air it cannot make":     {"dry_bulb = \"120 F\"\nrh = \"28 %\"", "dry_bulb = \"90 F\"\nemc = \"5 %\"", `23: stage[4].emc: found a stage that must dry to 7 %, expected 7.2 % or more: the driest air that this kiln can make at 32.2 C, vents and heat included, has an EMC of 5.6 %`},
		"stage never ends":       {`wet_bulb = "101 F"`, `emc = "24 %"`, `18: stage[3].emc: found an EMC of 24 %, at which the stage would never end, expected at most 23.5 %, 1.5 points under the moisture at which it is over`},
		"equalizing never ends":  {"kind = \"equalize\"", "kind = \"equalize\"\nemc = \"8 %\"", `24: stage[5]: found equalizing at an EMC of 8 %, which would never end, expected at most 7.6 %, for the lowest target of 7 %`},
		"condition too moist":    {`emc = "11 %"`, `emc = "23 %"`, `26: stage[6]: found an EMC of 23 %, expected at most`},
		"limits turned round":    {`until = { time = "12 h", at_most = "3 d" }`, `until = { time = "12 h", at_most = "6 h" }`, `8: stage[1].until.at_most: found "6 h", expected more than the stage takes at least`},
	} {
		t.Run(name, func(t *testing.T) {
			require.Contains(t, written, tt.old)
			_, err := withSchedule(t, lotText("maple, hard", "4/4", "60 %", "7 %", ""), strings.Replace(written, tt.old, tt.new, 1), testKiln())
			require.Error(t, err)
			require.True(t, strings.HasPrefix(err.Error(), "own.schedule.toml:"+tt.want), "%v\n%s", err, tt.want)
			require.Len(t, err.(*sheet.Faults).List, 1, err.Error())
		})
	}
}

func TestAScheduleOverTheWoodsLimit(t *testing.T) {
	// Refractory and green: 45 C at most (common practice, no source), and 2 K an hour.
	_, err := withSchedule(t, lotText("oak, northern red", "4/4", "80 %", "7 %", ""), written, testKiln())
	require.Error(t, err)
	require.Contains(t, err.Error(), "own.schedule.toml:17: stage[3].dry_bulb: found \"115 F\", expected at most 45.0 C for oak, northern red above fibre saturation")
	require.Len(t, err.(*sheet.Faults).List, 1, err.Error())
	_, err = withSchedule(t, lotText("cedar, eastern red", "4/4", "33 %", "9 %", ""), written, testKiln())
	require.Error(t, err)
	require.Contains(t, err.Error(), "own.schedule.toml:32: stage[7].dry_bulb: found \"150 F\", expected at most 45.0 C for redcedar, eastern")
}

func TestAWrittenScheduleDoesWhatTheSheetAsksFor(t *testing.T) {
	without := strings.Replace(written, written[strings.Index(written, "[[stage]]\nkind = \"condition\""):strings.Index(written, "[[stage]]\nkind = \"cool\"")], "", 1)
	_, err := withSchedule(t, "conditioning = true\n"+lotText("maple, hard", "4/4", "60 %", "7 %", `treatment = "phytosanitary"`), without, testKiln())
	require.Error(t, err)
	require.Equal(t, `charge.toml:2: conditioning: found true, expected a schedule with a condition stage, or false
charge.toml:12: lot[1].treatment: found phytosanitary, expected a schedule with a heat stage of core 56 C or more for 30 min without a break, or none`, err.Error())
}

func TestTooManyLots(t *testing.T) {
	text := "id = \"x\"\n"
	for range 7 {
		text += strings.Replace(lotText("maple, hard", "4/4", "60 %", "7 %", ""), "id = \"x\"\n", "", 1)
	}
	require.Contains(t, faultsOf(text, testKiln()), "lot[7]: found lot 7, expected at most 6 lots")
}

func TestAKilnThatCannotDry(t *testing.T) {
	c, err := ParseCharge("charge.toml", []byte(goodCharge))
	require.NoError(t, err)
	_, err = Resolve(c, Kiln{})
	require.Error(t, err)
	require.IsType(t, &sheet.Faults{}, err)
}

func FuzzSheets(f *testing.F) {
	f.Add([]byte(goodCharge))
	f.Add([]byte(written))
	f.Add([]byte("schedule = \"own\"\n" + yard))
	f.Add([]byte(goodCharge + written[strings.Index(written, "[[stage]]"):]))
	f.Fuzz(func(t *testing.T, text []byte) {
		kiln := testKiln()
		c, errC := ParseCharge("c", text)
		s, errS := ParseSchedule("s", text)
		c.Use(s)
		p, err := Resolve(c, kiln)
		if errC != nil {
			require.Error(t, err, "a sheet that does not read is never run")
		}
		if errS == nil {
			_ = s.Check(kiln)
		}
		if err == nil {
			for _, st := range p.Schedule.Stages {
				require.True(t, st.EMC >= minEMC && st.EMC <= maxEMC)
				require.True(t, st.DryBulb >= restDryBulb && st.DryBulb <= 98.9)
			}
		}
	})
}
