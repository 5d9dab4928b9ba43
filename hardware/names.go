package hardware

import "fmt"

func nameOf(names []string, i int) string {
	if i < 0 || i >= len(names) {
		return fmt.Sprintf("unknown_%d", i)
	}
	return names[i]
}

func indexOf[T ~uint8](names []string, noun string, text []byte, to *T) error {
	for i, name := range names {
		if name == string(text) {
			*to = T(i)
			return nil
		}
	}
	return fmt.Errorf("unknown %s %q", noun, text)
}
