package simkiln

import (
	"bytes"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// FuzzWeather reads any text as hours of weather. What is taken is weather that there can be.
func FuzzWeather(f *testing.F) {
	for _, seed := range []string{"# a made-up station\nhour, relative_humidity_percent, temperature_celsius\n0, 80, -3.5\n1, 60, 12\n",
		"temperature_celsius,relative_humidity_percent\n5,NaN\n99,50\n5,0.5\n", "temperature_celsius,relative_humidity_percent\n1e1,5e1\n",
		"\"temperature_celsius\",relative_humidity_percent\n\"5\n\",50\n", "temperature_celsius,temperature_celsius,relative_humidity_percent\n1,2,3", "\xef\xbb\xbftemperature_celsius"} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		hours, err := ReadWeather(bytes.NewReader(text))
		if err != nil {
			require.Empty(t, hours)
			return
		}
		require.NotEmpty(t, hours)
		require.LessOrEqual(t, len(hours), maxWeatherHours)
		for _, h := range hours {
			require.True(t, h.Temperature >= -60 && h.Temperature <= 60 && h.Humidity > 0 && h.Humidity <= 1, "%+v", h)
		}
	})
}

// FuzzLoad takes any bytes as the file of a simulated kiln. It is taken or refused.
func FuzzLoad(f *testing.F) {
	c := DefaultConfig()
	k := newKiln(f, c, lot("pine", 27, 1, 20, 2))
	k.Advance(time.Minute)
	var whole bytes.Buffer
	require.NoError(f, k.Save(&whole))
	f.Add(whole.Bytes())
	f.Add(whole.Bytes()[:whole.Len()/2])
	f.Add([]byte{})
	f.Fuzz(func(t *testing.T, data []byte) {
		var k Kiln
		if k.Load(bytes.NewReader(data)) != nil {
			return
		}
		require.NotZero(t, k.Layout().Outputs, "what is taken is a whole kiln")
	})
}
