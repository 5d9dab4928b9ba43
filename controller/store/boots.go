package store

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
)

// ErrLastBoot says that the numbers have run out.
var ErrLastBoot = errors.New("no greater number of a start can be written")

// NextBoot counts a start of the program and gives its number, which is greater than least and than every number given
// before: the count is durable before it is given, so that no two starts share one however soon the first dies. With an
// error the number is the best that could be had.
func NextBoot(f FS, least uint32) (number uint32, err error) {
	slots := NewSlots(f, "boots")
	image, lost := slots.Load()
	switch {
	case lost == nil:
		lost = json.Unmarshal(image.Data, &number)
	case errors.Is(lost, ErrEmpty):
		lost = nil
	}
	number = max(number, least)
	if number == math.MaxUint32 {
		return number, fmt.Errorf("count this start: %w", ErrLastBoot)
	}
	number++
	data, err := json.Marshal(number)
	if err == nil {
		err = slots.Save(uint64(number), data)
	}
	if err = errors.Join(lost, err); err != nil {
		return number, fmt.Errorf("count this start: %w", err)
	}
	return number, nil
}
