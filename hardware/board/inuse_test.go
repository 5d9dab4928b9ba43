package board

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

// A bus that one has opened is seen to be in use by another, until the first is gone.
func TestInUse(t *testing.T) {
	root := t.TempDir()
	for _, name := range []string{"i2c-1", "i2c-2", "spidev0.1", "gpiochip0"} {
		require.NoError(t, os.WriteFile(filepath.Join(root, name), nil, 0o600))
	}
	daemon, other, looker := &Linux{root: root}, &Linux{root: root}, &Linux{root: root}
	require.Empty(t, looker.InUse())
	first := []mark{daemon.mark("i2c-1"), daemon.mark("i2c-1"), daemon.mark("spidev0.1")}
	second := []mark{other.mark("i2c-1"), other.mark("gpiochip0"), other.mark("i2c-9")} // two kilns may share a bus; one is not there
	require.Equal(t, []string{"gpiochip0", "i2c-1", "spi0.1"}, looker.InUse())
	require.Equal(t, []string{"gpiochip0", "i2c-1", "spi0.1"}, looker.InUse(), "looking takes nothing")
	for _, m := range first {
		require.NoError(t, m.Close())
	}
	require.Equal(t, []string{"gpiochip0", "i2c-1"}, looker.InUse())
	for _, m := range second {
		require.NoError(t, m.Close())
	}
	require.Empty(t, looker.InUse())
}
