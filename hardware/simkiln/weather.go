package simkiln

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"

	"drywarden/hardware/quantity"
)

// The columns of an hourly weather file; others may stand beside them, in any order.
const (
	weatherTemperature = "temperature_celsius"
	weatherHumidity    = "relative_humidity_percent"
	maxWeatherHours    = 20 * 8784
)

// ReadWeather reads outdoor air hour by hour from CSV with a header that names temperature_celsius and
// relative_humidity_percent; lines that begin with # are comments. Every fault is reported with its line.
func ReadWeather(from io.Reader) ([]WeatherHour, error) {
	r := csv.NewReader(from)
	r.Comment, r.TrimLeadingSpace = '#', true
	head, err := r.Read()
	if err != nil {
		return nil, fmt.Errorf("read weather: the header: %w", err)
	}
	t, h := -1, -1
	for i, name := range head {
		switch strings.TrimSpace(name) {
		case weatherTemperature:
			t = i
		case weatherHumidity:
			h = i
		}
	}
	if t < 0 || h < 0 {
		return nil, fmt.Errorf("read weather: the header is %q, expected columns %s and %s", strings.Join(head, ","), weatherTemperature, weatherHumidity)
	}
	var hours []WeatherHour
	var faults []error
	for len(faults) < 20 {
		row, err := r.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			faults = append(faults, err)
			break
		}
		line, _ := r.FieldPos(t)
		number := func(i int, name string, low, high float64) float64 {
			v, err := strconv.ParseFloat(strings.TrimSpace(row[i]), 64)
			if err != nil || !(v >= low && v <= high) {
				faults = append(faults, fmt.Errorf("line %d: %s is %q, expected %v to %v", line, name, row[i], low, high))
			}
			return v
		}
		hours = append(hours, WeatherHour{quantity.Celsius(number(t, weatherTemperature, -60, 60)), quantity.Ratio(number(h, weatherHumidity, 1, 100) / 100)})
		if len(hours) > maxWeatherHours {
			faults = append(faults, fmt.Errorf("more than %d hours", maxWeatherHours))
			break
		}
	}
	if len(hours) == 0 && len(faults) == 0 {
		faults = append(faults, errors.New("no hours"))
	}
	if err := errors.Join(faults...); err != nil {
		return nil, fmt.Errorf("read weather: %w", err)
	}
	return hours, nil
}

// mean gives the mean temperature of all that the weather can be, C.
func (w *Weather) mean() float64 {
	if len(w.Hours) == 0 {
		return float64(w.Mean)
	}
	sum := 0.0
	for _, h := range w.Hours {
		sum += float64(h.Temperature)
	}
	return sum / float64(len(w.Hours))
}
