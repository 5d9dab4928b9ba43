package store_test

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"drywarden/controller/store"
)

// TestReadOnlyDisk on a real one, which only root can make: what was saved is read, what cannot be saved is said, and the
// folder can still be locked, so that a kiln whose card has become read only starts and is told about.
func TestReadOnlyDisk(t *testing.T) {
	if os.Getuid() != 0 {
		t.Skip("only root can mount a file system")
	}
	dir := t.TempDir()
	if err := unix.Mount("drywarden", dir, "tmpfs", 0, "size=1m"); err != nil {
		t.Skip("no file system can be mounted here: ", err)
	}
	t.Cleanup(func() { require.NoError(t, unix.Unmount(dir, 0)) })
	state := filepath.Join(dir, "state")
	fs, err := store.Folder(state)
	require.NoError(t, err)
	lock, err := store.LockFolder(state)
	require.NoError(t, err)
	require.NoError(t, lock.Close())
	require.NoError(t, store.NewSlots(fs, "control").Save(7, []byte("state")))
	require.NoError(t, store.NewTrips(fs).SaveTrips([]string{"smoke"}))
	first, err := store.NextBoot(fs, 0)
	require.NoError(t, err)

	require.NoError(t, unix.Mount("drywarden", dir, "", unix.MS_REMOUNT|unix.MS_RDONLY, ""))
	fs, err = store.Folder(state)
	require.NoError(t, err)
	lock, err = store.LockFolder(state)
	require.NoError(t, err)
	_, err = store.LockFolder(state)
	var locked *store.LockedError
	require.ErrorAs(t, err, &locked, "a lock it is")
	slots := store.NewSlots(fs, "control")
	image, err := slots.Load()
	require.NoError(t, err)
	require.Equal(t, "state", string(image.Data))
	require.ErrorIs(t, slots.Save(8, nil), unix.EROFS)
	names, err := store.NewTrips(fs).LoadTrips()
	require.NoError(t, err)
	require.Equal(t, []string{"smoke"}, names)
	require.ErrorIs(t, store.NewTrips(fs).SaveTrips(nil), unix.EROFS)
	second, err := store.NextBoot(fs, 0)
	require.ErrorIs(t, err, unix.EROFS)
	require.Equal(t, first+1, second, "the best that can be had")
	require.NoError(t, lock.Close())
}
