package store_test

import (
	"encoding/json"
	"errors"
	"testing"

	"github.com/stretchr/testify/require"

	"drywarden/controller/store"
	"drywarden/controller/store/storetest"
)

// FuzzTrips lays any bytes down where the record of trips is looked for, as they are and as a slot whose checksum fits.
// Either the names are given whole or the error says that they are not known; what is saved next is found.
func FuzzTrips(f *testing.F) {
	f.Add([]byte(`["smoke"]`), []byte("dwslots\n"))
	f.Add([]byte(`["smoke","fan_forward_1"]`), store.EncodeAs(1, 2, 0, []byte(`null`)))
	f.Add([]byte(`[7]`), []byte{})
	f.Add([]byte(`{"a":["b"]}`), []byte{0})
	f.Fuzz(func(t *testing.T, names, other []byte) {
		disk := storetest.NewDisk(func(int) int { return 0 })
		disk.Put("trips.0", store.EncodeAs(1, 1, 0, names))
		if len(other) > 0 {
			disk.Put("trips.1", other)
		}
		trips := store.NewTrips(disk)
		got, err := trips.LoadTrips()
		if err != nil {
			require.Empty(t, got)
		} else if len(other) == 0 {
			var want []string
			require.NoError(t, json.Unmarshal(names, &want))
			require.Equal(t, want, got)
		}
		require.NoError(t, trips.SaveTrips([]string{"door_open"}))
		require.NoError(t, trips.SaveTrips([]string{"high_limit"}))
		got, err = store.NewTrips(disk).LoadTrips()
		require.NoError(t, err)
		require.Equal(t, []string{"high_limit"}, got)
	})
}

// FuzzBoots does the same with the count of starts: a start has a number of its own whatever is found.
func FuzzBoots(f *testing.F) {
	f.Add([]byte("7"), []byte{}, uint32(3))
	f.Add([]byte("4294967295"), []byte("dwslots\n"), uint32(0))
	f.Add([]byte("-1"), []byte{1}, uint32(1<<32-1))
	f.Add([]byte(`"7"`), []byte{1}, uint32(9))
	f.Fuzz(func(t *testing.T, count, other []byte, least uint32) {
		disk := storetest.NewDisk(func(int) int { return 0 })
		disk.Put("boots.0", store.EncodeAs(1, 1, 0, count))
		if len(other) > 0 {
			disk.Put("boots.1", other)
		}
		first, err := store.NextBoot(disk, least)
		if !errors.Is(err, store.ErrLastBoot) {
			require.Greater(t, first, least)
		}
		again, err := store.NextBoot(disk, least)
		if !errors.Is(err, store.ErrLastBoot) {
			require.NoError(t, err, "what could not be read was written over")
			require.Greater(t, again, first)
		}
	})
}
