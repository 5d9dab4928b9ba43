package store_test

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drywarden/controller/store"
	"drywarden/controller/store/storetest"
)

// image makes data that names its generation in every few bytes, so that a mixture of two images shows.
func image(generation uint64, size int) []byte {
	data := make([]byte, 0, size+8)
	for len(data) < size {
		data = binary.BigEndian.AppendUint64(data, generation)
	}
	return data
}

func TestFirstStartIsEmpty(t *testing.T) {
	slots := store.NewSlots(storetest.NewDisk(rand.New(rand.NewPCG(1, 1)).IntN), "state")
	_, err := slots.Load()
	require.ErrorIs(t, err, store.ErrEmpty)
}

func TestSavesAlternateAndTheNewestWins(t *testing.T) {
	fs, err := store.Folder(filepath.Join(t.TempDir(), "state"))
	require.NoError(t, err)
	slots := store.NewSlots(fs, "state")
	for _, generation := range []uint64{1, 2, 2, 2, 3} { // progress within a generation is saved too
		data := image(generation, 100)
		data = append(data, byte(generation))
		require.NoError(t, slots.Save(generation, data))
		got, err := store.NewSlots(fs, "state").Load()
		require.NoError(t, err)
		require.NoError(t, got.Spoiled)
		require.Equal(t, generation, got.Generation)
		require.Equal(t, data, got.Data)
	}
	_, err = fs.ReadFile("state.0")
	require.NoError(t, err)
	_, err = fs.ReadFile("state.1")
	require.NoError(t, err)
}

func TestOneDamagedSlotCostsOneSave(t *testing.T) {
	for slot, want := range map[string]uint64{"state.0": 2, "state.1": 3} {
		disk := storetest.NewDisk(rand.New(rand.NewPCG(1, 2)).IntN)
		slots := store.NewSlots(disk, "state")
		for g := uint64(1); g <= 3; g++ { // 3 stands in slot 0
			require.NoError(t, slots.Save(g, image(g, 2000)))
		}
		disk.Damage(slot)
		slots = store.NewSlots(disk, "state")
		got, err := slots.Load()
		require.NoError(t, err)
		require.Error(t, got.Spoiled)
		require.Equal(t, want, got.Generation)
		// The next save goes over the damaged one, never over the only good one.
		disk.Fail = func(call, name string) error {
			if call == "rename" {
				require.Equal(t, slot, name)
			}
			return nil
		}
		require.NoError(t, slots.Save(9, image(9, 2000)))
	}
}

func TestBothDamagedIsSaidAndNothingIsBelieved(t *testing.T) {
	disk := storetest.NewDisk(rand.New(rand.NewPCG(1, 3)).IntN)
	slots := store.NewSlots(disk, "state")
	require.NoError(t, slots.Save(1, image(1, 10)))
	require.NoError(t, slots.Save(2, image(2, 10)))
	disk.Damage("state.0")
	disk.Put("state.1", []byte("short"))
	_, err := store.NewSlots(disk, "state").Load()
	var damaged *store.DamagedError
	require.ErrorAs(t, err, &damaged)
	require.Len(t, damaged.Faults, 2)
	require.ErrorContains(t, err, "cut short at 5 bytes")
	// A daemon that has lost everything can save again.
	require.NoError(t, slots.Save(3, image(3, 10)))
	got, err := store.NewSlots(disk, "state").Load()
	require.NoError(t, err)
	require.EqualValues(t, 3, got.Generation)
}

func TestFormatOfANewerProgramIsNotTakenForDamage(t *testing.T) {
	disk := storetest.NewDisk(rand.New(rand.NewPCG(1, 4)).IntN)
	disk.Put("state.0", store.EncodeAs(2, 1, 1, []byte("x")))
	_, err := store.NewSlots(disk, "state").Load()
	require.ErrorIs(t, err, store.ErrNewer)
}

// TestEveryFlippedBitIsSeen: SHA-256 over header and data leaves no bit unguarded.
func TestEveryFlippedBitIsSeen(t *testing.T) {
	raw := store.EncodeAs(1, 7, 8, image(8, 40))
	for bit := range len(raw) * 8 {
		bad := bytes.Clone(raw)
		bad[bit/8] ^= 1 << (bit % 8)
		disk := storetest.NewDisk(func(int) int { return 0 })
		disk.Put("state.0", bad)
		_, err := store.NewSlots(disk, "state").Load()
		require.Error(t, err, "bit %d", bit)
	}
}

// TestPowerCuts cuts the power at every kind of call, over and over on the same disk, and looks what is left: the image
// that was saved last or the one being saved, whole, and never an older one.
func TestPowerCuts(t *testing.T) {
	cuts := 20000
	if testing.Short() {
		cuts = 3000
	}
	for _, reordered := range []bool{false, true} {
		t.Run(fmt.Sprintf("reordered=%v", reordered), func(t *testing.T) {
			const seed = 20261125
			random := rand.New(rand.NewPCG(seed, 0))
			disk := storetest.NewDisk(random.IntN)
			disk.Reordered = reordered
			var kept uint64 // newest generation whose Save returned nil; 0: none
			next, spoiled, lost := uint64(1), 0, 0
			for cut := range cuts {
				slots := store.NewSlots(disk, "state")
				disk.CutAfter(random.IntN(16)) // a save is five calls
				var trying uint64
				for !disk.Off() {
					trying = next
					next++
					if slots.Save(trying, image(trying, random.IntN(3000))) == nil {
						kept = trying
					}
				}
				disk = disk.Restart()
				got, err := store.NewSlots(disk, "state").Load()
				if kept == 0 && errors.Is(err, store.ErrEmpty) {
					continue
				}
				require.NoError(t, err, "seed %d, cut %d", seed, cut)
				require.Contains(t, []uint64{kept, trying}, got.Generation, "seed %d, cut %d", seed, cut)
				want := image(got.Generation, len(got.Data))
				require.Equal(t, want[:len(got.Data)], got.Data, "seed %d, cut %d", seed, cut)
				if got.Generation != trying {
					lost++
				}
				if got.Spoiled != nil {
					spoiled++
				}
				kept = got.Generation
			}
			if !reordered {
				require.Zero(t, spoiled, "in the order of the calls no slot is ever torn")
			}
			require.NotZero(t, lost, "the campaign must also cut before a save is safe")
			t.Logf("%d cuts, %d saves lost before they were acknowledged, %d times one slot torn", cuts, lost, spoiled)
		})
	}
}

// TestFailedCalls: an error of any call is given back, what was saved before stays, and the next save works.
func TestFailedCalls(t *testing.T) {
	full := errors.New("no space left")
	for _, call := range []string{"create", "write", "sync", "rename", "sync_dir"} {
		disk := storetest.NewDisk(rand.New(rand.NewPCG(2, 2)).IntN)
		slots := store.NewSlots(disk, "state")
		require.NoError(t, slots.Save(1, image(1, 100)))
		require.NoError(t, slots.Save(2, image(2, 100)))
		disk.Fail = func(c, _ string) error {
			if c == call {
				return full
			}
			return nil
		}
		for range 5 {
			require.ErrorIs(t, slots.Save(3, image(3, 100)), full, call)
		}
		got, err := store.NewSlots(disk.Restart(), "state").Load()
		require.NoError(t, err, call)
		require.GreaterOrEqual(t, got.Generation, uint64(2), call)
		disk.Fail = nil
		require.NoError(t, slots.Save(4, image(4, 100)), call)
		got, err = store.NewSlots(disk.Restart(), "state").Load()
		require.NoError(t, err, call)
		require.EqualValues(t, 4, got.Generation, call)
	}
}

func TestTooLargeIsRefusedBeforeAnythingIsTouched(t *testing.T) {
	disk := storetest.NewDisk(rand.New(rand.NewPCG(3, 1)).IntN)
	require.ErrorContains(t, store.NewSlots(disk, "state").Save(1, make([]byte, store.MaxImage+1)), "more than")
	require.Zero(t, disk.Calls())
}

func TestSaveKeepsAnUnreadableDisk(t *testing.T) {
	disk := storetest.NewDisk(rand.New(rand.NewPCG(3, 2)).IntN)
	disk.CutAfter(0)
	_, _ = disk.Create("x")
	require.ErrorIs(t, store.NewSlots(disk, "state").Save(1, nil), storetest.ErrCut, "which slot is older cannot be known")
}

// TestAnyHistory compares with a toy model under saves, failures, cuts and restarts drawn at random.
func TestAnyHistory(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		random := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 0))
		disk := storetest.NewDisk(random.IntN)
		disk.Reordered = rapid.Bool().Draw(t, "reordered")
		slots := store.NewSlots(disk, "state")
		possible := map[uint64]bool{0: true} // generations that may be found; 0: none
		generation := uint64(0)
		t.Repeat(map[string]func(*rapid.T){
			"save": func(t *rapid.T) {
				generation++
				refused := rapid.SampledFrom([]string{"", "", "", "create", "write", "sync", "rename", "sync_dir"}).Draw(t, "refused")
				disk.Fail = func(call, _ string) error {
					if call == refused {
						return errors.New("refused")
					}
					return nil
				}
				if slots.Save(generation, image(generation, random.IntN(2000))) == nil {
					possible = map[uint64]bool{generation: true}
				} else {
					possible[generation] = true
				}
				disk.Fail = nil
			},
			"cut": func(*rapid.T) {
				disk = disk.Restart()
				slots = store.NewSlots(disk, "state")
			},
			"": func(t *rapid.T) {
				got, err := store.NewSlots(disk.Restart(), "state").Load()
				if !errors.Is(err, store.ErrEmpty) {
					require.NoError(t, err)
				}
				require.True(t, possible[got.Generation], "found %d of %v", got.Generation, possible)
			},
		})
	})
}

func FuzzLoad(f *testing.F) {
	f.Add([]byte{}, []byte("dwslots\n"))
	f.Add(store.EncodeAs(1, 1, 1, []byte("state")), store.EncodeAs(1, 2, 1, nil))
	f.Fuzz(func(t *testing.T, a, b []byte) {
		disk := storetest.NewDisk(func(int) int { return 0 })
		disk.Put("state.0", a)
		disk.Put("state.1", b)
		slots := store.NewSlots(disk, "state")
		got, err := slots.Load()
		if err == nil {
			require.LessOrEqual(t, len(got.Data), store.MaxImage+len(a)+len(b))
		}
		require.NoError(t, slots.Save(77, []byte("next")))
		got, err = store.NewSlots(disk, "state").Load()
		require.NoError(t, err)
		require.EqualValues(t, 77, got.Generation)
	})
}

func TestTrips(t *testing.T) {
	dir := t.TempDir()
	fs, err := store.Folder(dir)
	require.NoError(t, err)
	trips := store.NewTrips(fs)
	names, err := trips.LoadTrips()
	require.NoError(t, err)
	require.Empty(t, names, "a first start has no trips")
	require.NoError(t, trips.SaveTrips([]string{"emergency_stop", "high_limit"}))
	require.NoError(t, trips.SaveTrips(nil))
	names, err = store.NewTrips(fs).LoadTrips()
	require.NoError(t, err)
	require.Empty(t, names)
	require.NoError(t, trips.SaveTrips([]string{"smoke"}))
	names, err = store.NewTrips(fs).LoadTrips()
	require.NoError(t, err)
	require.Equal(t, []string{"smoke"}, names)

	// The slot without the trip is whole, the one with it is not: the trip must not be taken for cleared.
	require.NoError(t, os.WriteFile(filepath.Join(dir, "trips.0"), []byte("worn"), 0o600))
	_, err = store.NewTrips(fs).LoadTrips()
	var damaged *store.DamagedError
	require.ErrorAs(t, err, &damaged)
}

func TestCopiesAreFoundByHashAndChecked(t *testing.T) {
	disk := storetest.NewDisk(rand.New(rand.NewPCG(5, 5)).IntN)
	text := []byte("[[lot]]\n")
	hash, err := store.Keep(disk, text)
	require.NoError(t, err)
	again, err := store.Keep(disk, text)
	require.NoError(t, err)
	require.Equal(t, hash, again)
	disk = disk.Restart()
	got, err := store.Kept(disk, hash)
	require.NoError(t, err)
	require.Equal(t, text, got)
	disk.Damage("copy-" + hash)
	_, err = store.Kept(disk, hash)
	require.ErrorContains(t, err, "checksum does not fit")
	_, err = store.Kept(disk, store.Hash([]byte("other")))
	require.ErrorContains(t, err, "there is none")
	_, err = store.Kept(disk, "../../etc/passwd")
	require.ErrorContains(t, err, "is no hash")
	_, err = store.Keep(disk, text) // a damaged copy is written afresh
	require.NoError(t, err)
	_, err = store.Kept(disk, hash)
	require.NoError(t, err)
}

// TestCopiesSurviveCuts: once Keep has returned, the copy is there.
func TestCopiesSurviveCuts(t *testing.T) {
	for seed := range uint64(500) {
		random := rand.New(rand.NewPCG(seed, 9))
		disk := storetest.NewDisk(random.IntN)
		disk.Reordered = seed%2 == 0
		disk.CutAfter(random.IntN(8))
		text := image(seed, 1500)
		hash, err := store.Keep(disk, text)
		disk = disk.Restart()
		got, kept := store.Kept(disk, store.Hash(text))
		if err == nil {
			require.NoError(t, kept, "seed %d", seed)
		}
		if kept == nil {
			require.Equal(t, text, got, "seed %d", seed)
		}
		_ = hash
	}
}
