package store_test

import (
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"drywarden/controller/store"
	"drywarden/controller/store/storetest"
)

// TestNoTwoStartsHaveOneNumber: wherever the power goes, and however soon.
func TestNoTwoStartsHaveOneNumber(t *testing.T) {
	for seed := range uint64(200) {
		random := rand.New(rand.NewPCG(seed, 11))
		disk := storetest.NewDisk(random.IntN)
		disk.Reordered = seed%2 == 0
		last := uint32(0)
		for range 20 {
			if random.IntN(2) == 0 {
				disk.CutAfter(random.IntN(8))
			}
			if number, err := store.NextBoot(disk, 0); err == nil {
				require.Greater(t, number, last, "seed %d", seed)
				last = number
			}
			disk = disk.Restart()
		}
		number, err := store.NextBoot(disk, last+10)
		require.NoError(t, err)
		require.Equal(t, last+11, number, "seed %d", seed)
	}
}

func TestBootCountThatIsGoneBeginsAboveWhatIsKnown(t *testing.T) {
	disk := storetest.NewDisk(rand.New(rand.NewPCG(1, 12)).IntN)
	_, err := store.NextBoot(disk, 0)
	require.NoError(t, err)
	disk.Damage("boots.0")
	number, err := store.NextBoot(disk, 41)
	require.ErrorContains(t, err, "count this start")
	require.EqualValues(t, 42, number)
	number, err = store.NextBoot(disk, 0)
	require.NoError(t, err)
	require.EqualValues(t, 43, number)
}
