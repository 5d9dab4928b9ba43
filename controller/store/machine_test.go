package store_test

import (
	"bufio"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drywarden/controller/store"
)

func TestSecondDaemonOnTheFolderIsToldWhoHasIt(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "kiln")
	lock, err := store.LockFolder(dir)
	require.NoError(t, err)
	_, err = store.LockFolder(dir) // flock holds between two open files even of one process
	var locked *store.LockedError
	require.ErrorAs(t, err, &locked)
	require.Equal(t, dir, locked.Dir)
	require.Equal(t, strconv.Itoa(os.Getpid()), locked.PID)
	require.Contains(t, err.Error(), "another daemon (process "+locked.PID+") runs on the state folder")
	require.NoError(t, lock.Close())
	lock, err = store.LockFolder(dir)
	require.NoError(t, err)
	require.NoError(t, lock.Close())
}

// A parent that is made by the way would be its maker's, and a daemon of another account could never write there.
func TestParentOfTheFolderIsNotMade(t *testing.T) {
	parent := filepath.Join(t.TempDir(), "drywarden")
	dir := filepath.Join(parent, "north")
	_, err := store.LockFolder(dir)
	require.EqualError(t, err, "make state folder "+dir+": there is no folder "+parent+" to make it in")
	require.NoDirExists(t, parent)

	require.NoError(t, os.WriteFile(parent, nil, 0o600))
	_, err = store.LockFolder(dir)
	require.ErrorContains(t, err, "not a directory")
}

// What root does for a kiln whose daemon runs as another account must not shut that account out.
func TestRootLeavesTheFolderToItsAccount(t *testing.T) {
	if os.Geteuid() != 0 {
		t.Skip("only root can give a folder away")
	}
	const account = 12345
	owner := func(path string) (uid, gid uint32) {
		info, err := os.Stat(path)
		require.NoError(t, err)
		s := info.Sys().(*syscall.Stat_t)
		return s.Uid, s.Gid
	}
	parent := t.TempDir()
	require.NoError(t, os.Chown(parent, account, account+1))
	dir := filepath.Join(parent, "north")
	for range 2 {
		lock, err := store.LockFolder(dir)
		require.NoError(t, err)
		for _, path := range []string{dir, filepath.Join(dir, "lock")} {
			uid, gid := owner(path)
			require.Equal(t, []uint32{account, account + 1}, []uint32{uid, gid}, path)
		}
		require.NoError(t, lock.Close())
		// As a program before this one may have left it.
		require.NoError(t, os.Chown(filepath.Join(dir, "lock"), 0, 0))
	}
}

// TestLockDiesWithItsProcess: a real process that is killed leaves no lock behind.
func TestLockDiesWithItsProcess(t *testing.T) {
	if dir := os.Getenv("STORE_TEST_LOCK"); dir != "" {
		_, err := store.LockFolder(dir)
		require.NoError(t, err)
		_, _ = os.Stdout.WriteString("held\n")
		_, _ = os.Stdin.Read(make([]byte, 1)) // until killed
		return
	}
	dir := t.TempDir()
	child := exec.Command(os.Args[0], "-test.run=^TestLockDiesWithItsProcess$")
	child.Env = append(os.Environ(), "STORE_TEST_LOCK="+dir)
	out, err := child.StdoutPipe()
	require.NoError(t, err)
	_, err = child.StdinPipe()
	require.NoError(t, err)
	require.NoError(t, child.Start())
	_, err = out.Read(make([]byte, 16))
	require.NoError(t, err)
	_, err = store.LockFolder(dir)
	require.ErrorContains(t, err, "process "+strconv.Itoa(child.Process.Pid))
	require.NoError(t, child.Process.Kill())
	_ = child.Wait()
	lock, err := store.LockFolder(dir)
	require.NoError(t, err)
	require.NoError(t, lock.Close())
}

func TestStampOfThisMachine(t *testing.T) {
	a, err := store.Now()
	require.NoError(t, err)
	b, err := store.Now()
	require.NoError(t, err)
	require.Len(t, a.BootID, 36)
	require.Equal(t, a.BootID, b.BootID)
	length, known := store.Outage(a, b, 0)
	require.True(t, known)
	require.Equal(t, b.BootTime-a.BootTime, length)
	require.Less(t, length, time.Minute)
}

// A sandbox may hide the boot id: what is known of wall time is kept.
func TestStampWithoutBootID(t *testing.T) {
	before := time.Now().Unix()
	s, err := store.NowWithoutBootID()
	require.ErrorContains(t, err, "boot id")
	require.Empty(t, s.BootID)
	require.Zero(t, s.BootTime, "of no boot")
	require.GreaterOrEqual(t, s.WallUnix, before)
	_, trusted := store.WallTime()
	require.Equal(t, trusted, s.WallTrusted)
}

func TestOutage(t *testing.T) {
	const hour = time.Hour
	at := func(boot string, since time.Duration, wall int64, trusted bool) store.Stamp {
		return store.Stamp{BootID: boot, BootTime: since, WallUnix: wall, WallTrusted: trusted}
	}
	for _, c := range []struct {
		name      string
		then, now store.Stamp
		estimate  time.Duration
		want      time.Duration
		known     bool
	}{
		{"one boot", at("a", hour, 0, false), at("a", 3*hour, 0, false), 0, 2 * hour, true},
		{"one boot, the estimate is not asked", at("a", hour, 0, false), at("a", 3*hour, 0, false), 9 * hour, 2 * hour, true},
		{"one boot, wall time lengthens", at("a", hour, 0, true), at("a", 3*hour, 4*3600, true), 0, 4 * hour, true},
		{"one boot, wall time does not shorten", at("a", hour, 0, true), at("a", 3*hour, 60, true), 0, 2 * hour, true},
		{"one boot, wall time went back", at("a", hour, 9999, true), at("a", 3*hour, 0, true), 0, 2 * hour, true},
		{"one boot, wall time not trusted then", at("a", hour, 0, false), at("a", 3*hour, 1e9, true), 0, 2 * hour, true},
		{"one boot, wall time not trusted now", at("a", hour, 0, true), at("a", 3*hour, 1e9, false), 0, 2 * hour, true},
		{"two boots, nothing known", at("a", hour, 0, false), at("b", hour, 0, false), 0, 0, false},
		{"two boots, cooled", at("a", hour, 0, false), at("b", 9*hour, 0, false), 5 * hour, 5 * hour, true},
		{"two boots, wall time lengthens", at("a", hour, 0, true), at("b", 0, 10*3600, true), 5 * hour, 10 * hour, true},
		{"two boots, wall time does not shorten", at("a", hour, 0, true), at("b", 0, 60, true), 5 * hour, 5 * hour, true},
		{"two boots, wall time alone", at("a", hour, 0, true), at("b", 0, 7200, true), 0, 2 * hour, true},
		{"two boots, wall time went back", at("a", hour, 7200, true), at("b", 0, 0, true), 0, 0, false},
		{"no boot id", at("", hour, 0, false), at("", 3*hour, 0, false), 0, 0, false},
		{"decades", at("a", hour, 0, true), at("b", 0, 1e18, true), 0, 100 * 365 * 24 * hour, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			length, known := store.Outage(c.then, c.now, c.estimate)
			require.Equal(t, c.known, known)
			require.Equal(t, c.want, length)
		})
	}
}

// TestOutageErrsToTheCarefulSide: however untrusted clocks have jumped, and whatever the first boot's clock said, an outage
// that is said to be known is never said to be shorter than it was. Trusted clocks are right to a second, and an estimate
// from cooling is never short (it assumes the slowest room).
func TestOutageErrsToTheCarefulSide(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		outage := time.Duration(rapid.Int64Range(0, int64(400*24*time.Hour)).Draw(t, "outage"))
		stamp := func(name string, boot string, since time.Duration, at time.Duration) store.Stamp {
			s := store.Stamp{BootID: boot, BootTime: since, WallTrusted: rapid.Bool().Draw(t, name+" trusted")}
			if s.WallUnix = rapid.Int64().Draw(t, name+" wall"); s.WallTrusted {
				s.WallUnix = 1_790_000_000 + int64(at/time.Second)
			}
			return s
		}
		up := time.Duration(rapid.Int64Range(0, int64(1000*24*time.Hour)).Draw(t, "up"))
		then := stamp("then", "a", up, 0)
		now := stamp("now", "a", up+outage, outage)
		if rapid.Bool().Draw(t, "other boot") {
			now.BootID, now.BootTime = "b", time.Duration(rapid.Int64Range(0, int64(outage)).Draw(t, "since"))
		}
		estimate := time.Duration(0)
		if rapid.Bool().Draw(t, "cooled") {
			estimate = outage + time.Duration(rapid.Int64Range(0, int64(1000*time.Hour)).Draw(t, "long"))
		}
		length, known := store.Outage(then, now, estimate)
		if known && length < outage-time.Second {
			t.Fatalf("an outage of %v is said to be %v", outage, length)
		}
	})
}

// TestKilledWhileSaving kills a real process in the middle of its saves: what it said was saved is there.
func TestKilledWhileSaving(t *testing.T) {
	if dir := os.Getenv("STORE_TEST_SAVE"); dir != "" {
		fs, err := store.Folder(dir)
		require.NoError(t, err)
		slots := store.NewSlots(fs, "state")
		found, _ := slots.Load()
		for g := found.Generation + 1; ; g++ {
			require.NoError(t, slots.Save(g, image(g, 4000)))
			fmt.Println(g)
		}
	}
	dir := t.TempDir()
	fs, err := store.Folder(dir)
	require.NoError(t, err)
	var said uint64
	for kill := range 8 {
		child := exec.Command(os.Args[0], "-test.run=^TestKilledWhileSaving$")
		child.Env = append(os.Environ(), "STORE_TEST_SAVE="+dir)
		out, err := child.StdoutPipe()
		require.NoError(t, err)
		require.NoError(t, child.Start())
		lines := bufio.NewScanner(out)
		for range 3 + 5*kill {
			require.True(t, lines.Scan())
			said, err = strconv.ParseUint(lines.Text(), 10, 64)
			require.NoError(t, err)
		}
		require.NoError(t, child.Process.Kill())
		for lines.Scan() { // what it managed to say before it died
			if said, err = strconv.ParseUint(lines.Text(), 10, 64); err != nil {
				break
			}
		}
		_ = child.Wait()
		found, err := store.NewSlots(fs, "state").Load()
		require.NoError(t, err)
		require.NoError(t, found.Spoiled)
		require.GreaterOrEqual(t, found.Generation, said)
		require.LessOrEqual(t, found.Generation, said+1)
		require.Equal(t, image(found.Generation, 4000), found.Data)
	}
}
