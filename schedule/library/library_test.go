package library_test

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"testing"

	"github.com/BurntSushi/toml"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drywarden/hardware/quantity"
	"drywarden/schedule/library"
	"drywarden/schedule/wood"
)

type expanded struct {
	Schedule []struct {
		Code string   `toml:"code"`
		Used []string `toml:"used_for"`
		Step []struct {
			MC         float64 `toml:"mc_at"`
			DryBulb    float64 `toml:"dry_bulb_f"`
			Depression float64 `toml:"depression_f"`
			EMC        float64 `toml:"emc_pct"`
		} `toml:"step"`
	} `toml:"schedule"`
}

// Every code written out step by step from AH-188 ch. 7 (codes from memory; RH and EMC computed with PsychroLib and the
// deg F coefficients of Hailwood-Horrobin).
func TestLiteralAgainstWrittenOutSchedules(t *testing.T) {
	var want expanded
	_, err := toml.DecodeFile(filepath.Join("..", "..", "testdata", "reference", "schedules_hardwood_expanded.toml"), &want)
	require.NoError(t, err)
	require.Len(t, want.Schedule, 41)
	var codes []string
	for _, s := range want.Schedule {
		codes = append(codes, s.Code)
		got, err := library.Literal(s.Code)
		require.NoError(t, err)
		require.Equal(t, s.Code, got.Code)
		for _, step := range s.Step {
			at := inForce(got.Steps, step.MC)
			require.InDelta(t, step.DryBulb, at.DryBulb.Fahrenheit(), 1e-9, "%s at %v", s.Code, step.MC)
			require.InDelta(t, step.Depression/1.8, float64(at.Depression), 1e-9, "%s at %v", s.Code, step.MC)
			require.InDelta(t, step.EMC, float64(at.EMC), 0.1, "%s at %v", s.Code, step.MC)
		}
		require.Len(t, got.Steps, len(s.Step), s.Code)
		require.Zero(t, float64(got.Steps[0].FromMC))
	}
	require.ElementsMatch(t, codes, library.Codes())
}

// inForce gives the step that holds when the moisture has fallen to mc.
func inForce(steps []library.Step, mc float64) library.Step {
	at := steps[0]
	for _, s := range steps {
		if s.FromMC == 0 || mc <= float64(s.FromMC) {
			at = s
		}
	}
	if mc > 900 {
		return steps[0]
	}
	return at
}

// The files beside the tests and those that the program embeds are the same tables.
func TestEveryTableReads(t *testing.T) {
	require.Len(t, library.Index(), 32)
	entries, err := os.ReadDir("data")
	require.NoError(t, err)
	require.Len(t, entries, 4)
}

// All that the tables can be combined to, not only what the index uses: some ask at 100 to 110 F for a depression of 50 F,
// more than bone-dry air has (49.5 F at 110 F by ASHRAE Fundamentals 2017, ch. 1).
func TestNoCodeAsksForAirThatIsNot(t *testing.T) {
	count, dry := 0, 0
	for temperature := 1; temperature <= 14; temperature++ {
		for _, class := range "ABCDEF" {
			for depression := 1; depression <= 8; depression++ {
				code := fmt.Sprintf("T%d-%c%d", temperature, class, depression)
				p, err := library.Literal(code)
				require.NoError(t, err)
				none := 0
				for _, s := range p.Steps {
					require.GreaterOrEqual(t, float64(s.EMC), 0.0, code)
					if s.EMC == 0 {
						none++
						require.LessOrEqual(t, s.DryBulb.Fahrenheit(), 110.01, code)
						require.InDelta(t, 50, 1.8*float64(s.Depression), 1e-9, code)
						require.Greater(t, wood.WetBulb(s.DryBulb, 0, wood.StandardPressure), s.DryBulb-quantity.Celsius(s.Depression), code)
					}
				}
				require.Len(t, p.Notes, none, "%s: said aloud", code)
				got, err := library.Assemble(library.Request{Code: code, Target: 7, Machine: capped(120)})
				require.NoError(t, err, code)
				checkAgainstLiteral(t, got)
				checkEnds(t, got)
				count, dry = count+1, dry+min(none, 1)
			}
		}
	}
	require.Equal(t, 14*6*8, count)
	require.Positive(t, dry)
	mild, err := library.Assemble(library.Request{Species: "red oak", Thickness: 0.052, Target: 7, Machine: capped(120), Grades: -1})
	require.NoError(t, err)
	require.Contains(t, mild.Notes, "step from 25 %: no air of 105 F (40.6 C) has a depression of 50 Fd (27.8 K); bone-dry air is meant")
}

func TestLiteralSaysWhatIsWrong(t *testing.T) {
	for code, want := range map[string]string{
		"T4":     `schedule code "T4": expected temperature, moisture class and depression as in T4-D2`,
		"T99-D2": `no temperature code "T99", there are T1 T2`,
		"T4-G2":  `no moisture class "G", there are A B C D E F`,
		"T4-D9":  `no depression number "9", there are 1 2 3`,
		"":       "expected temperature",
	} {
		_, err := library.Literal(code)
		require.ErrorContains(t, err, want)
	}
	_, err := library.Literal("T0-Z9")
	require.ErrorContains(t, err, `temperature code "T0"`)
	require.ErrorContains(t, err, `moisture class "Z"`)
	require.ErrorContains(t, err, `depression number "9"`)
	lower, err := library.Literal(" t4-d2 ")
	require.NoError(t, err)
	require.Equal(t, "T4-D2", lower.Code)
}

func thickness(t testing.TB, text string) (m quantity.Meter) {
	t.Helper()
	require.NoError(t, m.UnmarshalText([]byte(text)))
	return m
}

// AH-188 ch. 7, hardwood code index (from memory).
func TestCodeForEverySpeciesOfTheIndex(t *testing.T) {
	for _, e := range library.Index() {
		for _, size := range []string{"4/4", "5/4", "6/4"} {
			code, _, err := library.CodeFor(e.Species, thickness(t, size))
			require.NoError(t, err)
			require.Equal(t, e.Code44, code, "%s %s", e.Species, size)
		}
		code, note, err := library.CodeFor(e.Species, thickness(t, "8/4"))
		require.NoError(t, err)
		require.Empty(t, note)
		require.Equal(t, e.Code84, code, e.Species)
	}
}

func TestCodeForWhatIsNotPublished(t *testing.T) {
	_, _, err := library.CodeFor("ponderosa pine", thickness(t, "4/4"))
	require.EqualError(t, err, "find schedule for pine, ponderosa: no softwood codes are published here, give the schedule inline")
	_, _, err = library.CodeFor("red oaks", thickness(t, "4/4"))
	require.ErrorContains(t, err, "nearest: oak, northern red")
	_, _, err = library.CodeFor("red oak", 0)
	require.Error(t, err)

	code, note, err := library.CodeFor("sassafras", thickness(t, "4/4"))
	require.NoError(t, err)
	require.Equal(t, "T6-C3", code)
	require.ErrorContains(t, errorText(note), "assumed: sassafras is not in the published index, the gentlest code of the moderate group")
	code, note, err = library.CodeFor("overcup oak", thickness(t, "4/4"))
	require.NoError(t, err)
	require.Equal(t, "T4-C2", code)
	require.Contains(t, note, "assumed")
	code, note, err = library.CodeFor("walnut", thickness(t, "12/4"))
	require.NoError(t, err)
	require.Equal(t, "T3-D3", code)
	require.Contains(t, note, "assumed: no code is published for 77.7 mm")
}

type errorText string

func (e errorText) Error() string { return string(e) }

func capped(fahrenheit float64) library.Machine {
	return library.Machine{Pressure: wood.StandardPressure, DryBulbMax: quantity.FromFahrenheit(fahrenheit), RHMin: 0.25}
}

// Every species of the index at every published thickness, for machines that stop at 120 and at 160 F: the published EMC is
// kept within 0.1 unless the driest air of the machine or the end of the schedule binds.
func TestEverySpeciesAssemblesForSmallAndHotMachines(t *testing.T) {
	for _, machine := range []library.Machine{capped(120), capped(160)} {
		for _, e := range library.Index() {
			for _, size := range []string{"4/4", "5/4", "6/4", "8/4"} {
				got, err := library.Assemble(library.Request{Species: e.Species, Thickness: thickness(t, size), Target: 7, Machine: machine})
				require.NoError(t, err, "%s %s", e.Species, size)
				checkAgainstLiteral(t, got)
			}
		}
	}
}

// Every code with every species, whatever the index says: a person may ask for any of them.
func TestEveryCodeAssemblesForEverySpecies(t *testing.T) {
	count := 0
	for _, machine := range []library.Machine{capped(120), capped(160)} {
		for _, code := range library.Codes() {
			for _, e := range library.Index() {
				got, err := library.Assemble(library.Request{Code: code, Species: e.Species, Target: 7, Machine: machine})
				require.NoError(t, err, "%s %s", code, e.Species)
				checkAgainstLiteral(t, got)
				checkEnds(t, got)
				count++
			}
		}
	}
	require.Equal(t, 2*41*32, count)
}

func checkAgainstLiteral(t require.TestingT, got library.Assembled) {
	published, err := library.Literal(got.Code)
	require.NoError(t, err)
	for i, s := range got.Steps {
		mc := float64(s.FromMC)
		if mc == 0 {
			mc = 999
		}
		want := inForce(published.Steps, mc)
		floor := got.Machine.EMCMin(s.DryBulb)
		switch last := i == len(got.Steps)-1; {
		case want.EMC < floor:
			require.InDelta(t, float64(floor), float64(s.EMC), 1e-9, "%s: the floor binds", got.Code)
		case last && want.EMC > got.Target-library.UnderTarget:
			require.InDelta(t, float64(got.Target-library.UnderTarget), float64(s.EMC), 1e-9, "%s: the end binds", got.Code)
		default:
			require.InDelta(t, float64(want.EMC), float64(s.EMC), 0.1, got.Code)
		}
		require.LessOrEqual(t, float64(s.DryBulb), float64(want.DryBulb)+1e-9)
		require.LessOrEqual(t, s.DryBulb, got.Machine.DryBulbMax)
		rh := wood.RHFromWetBulb(s.DryBulb, s.DryBulb-quantity.Celsius(s.Depression), got.Machine.Pressure)
		require.InDelta(t, float64(s.EMC), float64(wood.EMC(s.DryBulb, rh)), 1e-4, "depression belongs to the EMC")
	}
}

// Random machines, species, starts and targets: whatever is assembled breaks no limit, can end, and is entered where it
// should be; whatever cannot be assembled says why.
func TestNoAssembledScheduleBreaksALimit(t *testing.T) {
	index := library.Index()
	rapid.Check(t, func(t *rapid.T) {
		r := library.Request{
			Species:   rapid.SampledFrom(index).Draw(t, "entry").Species,
			Thickness: quantity.Meter(rapid.Float64Range(0.015, 0.09).Draw(t, "thickness")),
			Start:     quantity.MoistureContent(rapid.Float64Range(0, 130).Draw(t, "start")),
			Target:    quantity.MoistureContent(rapid.Float64Range(4, 22).Draw(t, "target")),
			Machine: library.Machine{
				Pressure:   quantity.Pascal(rapid.Float64Range(70000, 105000).Draw(t, "pressure")),
				DryBulbMax: quantity.Celsius(rapid.Float64Range(25, 95).Draw(t, "dry bulb max")),
				RHMin:      quantity.Ratio(rapid.Float64Range(0, 0.8).Draw(t, "rh min")),
			},
		}
		got, err := library.Assemble(r)
		if err != nil {
			require.Regexp(t, `nothing to dry|cannot end|driest air that the machine makes`, err.Error())
			return
		}
		checkAgainstLiteral(t, got)
		checkEnds(t, got)
		species, err := wood.LookupSpecies(r.Species)
		require.NoError(t, err)
		for i, s := range got.Steps {
			if s.FromMC == 0 || s.FromMC > wood.FiberSaturation {
				require.LessOrEqual(t, s.DryBulb, species.GreenMaxDryBulb)
			}
			if r.Start > 0 && i > 0 {
				require.Greater(t, r.Start, s.FromMC, "later steps lie below the start")
			}
		}
		if r.Start > 0 && got.Steps[0].FromMC > 0 {
			require.LessOrEqual(t, r.Start, got.Steps[0].FromMC, "entered at the step in force")
		}
	})
}

func checkEnds(t require.TestingT, a library.Assembled) {
	for i, s := range a.Steps {
		require.True(t, quantity.Finite(float64(s.EMC)) && quantity.Finite(float64(s.Depression)) && s.Depression >= 0)
		require.GreaterOrEqual(t, float64(s.EMC), float64(a.Machine.EMCMin(s.DryBulb))-1e-9)
		next := a.Target
		if i+1 < len(a.Steps) {
			next = a.Steps[i+1].FromMC
			require.Greater(t, next, a.Target)
			if s.FromMC != 0 {
				require.Less(t, next, s.FromMC)
			}
		}
		require.LessOrEqual(t, float64(s.EMC), float64(next-library.UnderTarget)+1e-9, "the step can end")
	}
}

// Two lots at random: at every moisture the combination is at least as gentle as each lot that is not yet done, and it ends.
func TestCombinationIsTheGentlest(t *testing.T) {
	index := library.Index()
	machine := library.Machine{Pressure: wood.StandardPressure, DryBulbMax: 49, RHMin: 0.2}
	rapid.Check(t, func(t *rapid.T) {
		var lots []library.Assembled
		for range rapid.IntRange(1, 4).Draw(t, "lots") {
			a, err := library.Assemble(library.Request{
				Species:   rapid.SampledFrom(index).Draw(t, "entry").Species,
				Thickness: rapid.SampledFrom([]quantity.Meter{0.027, 0.052}).Draw(t, "thickness"),
				Start:     quantity.MoistureContent(rapid.SampledFrom([]float64{0, 85, 42, 24}).Draw(t, "start")),
				Target:    quantity.MoistureContent(rapid.SampledFrom([]float64{6, 7, 8, 10, 12}).Draw(t, "target")),
				Machine:   machine,
			})
			require.NoError(t, err)
			lots = append(lots, a)
		}
		c, err := library.Combine(lots)
		require.NoError(t, err)
		checkEnds(t, c)
		for mc := 100.0; mc > float64(c.Target); mc -= 0.5 {
			at := inForce(c.Steps, mc)
			for _, lot := range lots {
				own := inForce(lot.Steps, mc)
				require.LessOrEqual(t, at.DryBulb, own.DryBulb, "at %v", mc)
				if mc > float64(lot.Target) {
					require.GreaterOrEqual(t, float64(at.EMC), float64(own.EMC)-1e-9, "at %v", mc)
				}
			}
		}
		if len(lots) == 1 {
			require.Equal(t, lots[0].Steps[0], c.Steps[0])
		}
	})
}

func TestCombineRefusesWhatIsNoCharge(t *testing.T) {
	_, err := library.Combine(nil)
	require.Error(t, err)
	a, err := library.Assemble(library.Request{Code: "T4-D2", Target: 7, Machine: capped(120)})
	require.NoError(t, err)
	b, err := library.Assemble(library.Request{Code: "T4-D2", Target: 7, Machine: capped(160)})
	require.NoError(t, err)
	_, err = library.Combine([]library.Assembled{a, b})
	require.ErrorContains(t, err, "different machines")
}

// 28 % RH at 49 C is an EMC of 5.1 (Wood Handbook table 4-2: 120 F, 30 % gives 5.4): 7 % can be reached, 6 % cannot.
func TestTargetOutOfTheMachinesReachIsRefused(t *testing.T) {
	r := library.Request{Species: "red oak", Thickness: 0.027, Start: 80, Target: 7,
		Machine: library.Machine{Pressure: wood.StandardPressure, DryBulbMax: 49, RHMin: 0.28}}
	got, err := library.Assemble(r)
	require.NoError(t, err)
	require.InDelta(t, 5.1, float64(got.Steps[len(got.Steps)-1].EMC), 0.06)
	require.Contains(t, got.Notes, "step from 25 %: dry bulb 130 F (54.4 C) capped at 120.2 F (49 C), the machine's greatest")
	require.Contains(t, got.Notes, "step from 25 %: EMC 2.2 % raised to 5.1 %, the driest air that the machine makes (28 % RH at 120.2 F (49 C))")
	r.Target = 6
	_, err = library.Assemble(r)
	require.ErrorContains(t, err, "target 6 % needs a last step at an EMC of 4.5 % or less, but the driest air that the machine makes (28 % RH at 120.2 F (49 C)) has 5.1 %")
}

func TestAirDriedStockEntersAtItsStep(t *testing.T) {
	got, err := library.Assemble(library.Request{Species: "red oak", Thickness: 0.027, Start: 22, Target: 7, Machine: capped(120)})
	require.NoError(t, err)
	require.Equal(t, quantity.MoistureContent(25), got.Steps[0].FromMC)
	require.Contains(t, got.Notes, "entered at the step from 25 %, in force at 22 %")
}

func TestAssembleReportsEveryFault(t *testing.T) {
	_, err := library.Assemble(library.Request{Species: "red oaks", Start: quantity.MoistureContent(math.NaN()), Target: 50,
		Machine: library.Machine{Pressure: 5, DryBulbMax: 300, RHMin: 2}})
	for _, part := range []string{"red oaks", "starting moisture", "target moisture", "station pressure", "greatest dry bulb", "lowest relative humidity"} {
		require.ErrorContains(t, err, part)
	}
	_, err = library.Assemble(library.Request{Code: "T4-D2", Start: 7, Target: 8, Machine: capped(120)})
	require.ErrorContains(t, err, "nothing to dry")
}

// A step that would begin at or under the target never comes into force; the one before it must end the drying.
func TestStepsUnderTheTargetAreLeftOut(t *testing.T) {
	got, err := library.Assemble(library.Request{Code: "T3-A1", Target: 10, Machine: capped(160)})
	require.NoError(t, err)
	require.Equal(t, quantity.MoistureContent(15), got.Steps[len(got.Steps)-1].FromMC)
	require.Contains(t, got.Notes, "steps from 10 % down left out: the target is 10 %")
	got, err = library.Assemble(library.Request{Code: "T3-A1", Target: 8, Machine: capped(160)})
	require.NoError(t, err)
	require.Equal(t, quantity.MoistureContent(10), got.Steps[len(got.Steps)-1].FromMC)
	// At 25 % T3-A1 holds an EMC of 15.3, which no wood at 16 % would ever reach.
	got, err = library.Assemble(library.Request{Code: "T3-A1", Target: 22, Machine: capped(160)})
	require.NoError(t, err)
	require.InDelta(t, 15.3, float64(got.Steps[len(got.Steps)-1].EMC), 0.05)
	got, err = library.Assemble(library.Request{Code: "T3-A1", Target: 20, Machine: library.Machine{Pressure: wood.StandardPressure, DryBulbMax: 60, RHMin: 0.3}})
	require.NoError(t, err)
	require.Equal(t, quantity.MoistureContent(25), got.Steps[len(got.Steps)-1].FromMC)
}
