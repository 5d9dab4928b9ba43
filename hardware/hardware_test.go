package hardware

import (
	"encoding"
	"testing"

	"github.com/stretchr/testify/require"
)

// Every name is unique, reads back to its number, and an unknown one is refused: records hold names.
func TestNames(t *testing.T) {
	check := func(names []string, new func(i int) encoding.TextUnmarshaler, get func(encoding.TextUnmarshaler) int) {
		seen := map[string]bool{}
		for i, name := range names {
			require.NotEmpty(t, name)
			require.False(t, seen[name], name)
			seen[name] = true
			v := new(0)
			require.NoError(t, v.UnmarshalText([]byte(name)))
			require.Equal(t, i, get(v), name)
		}
		require.Error(t, new(0).UnmarshalText([]byte("no such thing")))
	}
	check(roleNames[:], func(int) encoding.TextUnmarshaler { return new(Role) }, func(v encoding.TextUnmarshaler) int { return int(*v.(*Role)) })
	check(qualityNames[:], func(int) encoding.TextUnmarshaler { return new(Quality) }, func(v encoding.TextUnmarshaler) int { return int(*v.(*Quality)) })
	check(contactNames[:], func(int) encoding.TextUnmarshaler { return new(ContactID) }, func(v encoding.TextUnmarshaler) int { return int(*v.(*ContactID)) })
	check(outputNames[:], func(int) encoding.TextUnmarshaler { return new(OutputID) }, func(v encoding.TextUnmarshaler) int { return int(*v.(*OutputID)) })
	require.Equal(t, "unknown_200", Role(200).String())
}

func TestZeroValuesAreSafe(t *testing.T) {
	var s Snapshot
	require.False(t, s.Readings[0].OK())
	require.False(t, s.Contacts.Proven(ContactAirflow), "unread is not proven")
	require.False(t, s.Contacts.Clear(ContactDoor), "unread is not clear")
	require.Zero(t, Outputs{}.On)
}

func TestSets(t *testing.T) {
	s := OutputSet(0).With(Compressor, true).With(FanForward(1), true)
	require.True(t, s.Has(Compressor) && s.Has(FanForward2) && !s.Has(Heat(0)))
	require.False(t, s.With(Compressor, false).Has(Compressor))
	require.NotZero(t, s&AllFans)
	require.LessOrEqual(t, int(OutputCount), 32)
	require.LessOrEqual(t, int(ContactCount), 32)
	r := RuleSet(0).With(LastSafetyRule, true)
	require.True(t, r.Has(LastSafetyRule))
	require.False(t, r.Has(LastSafetyRule+1), "ids of others are in no rule set")
}
