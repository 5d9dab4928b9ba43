package store

import (
	"encoding/binary"
)

// EncodeAs writes a slot in a given format, with a checksum that fits.
func EncodeAs(version uint32, sequence, generation uint64, data []byte) []byte {
	raw := encode(nil, sequence, generation, data)
	binary.LittleEndian.PutUint32(raw[8:], version)
	sum := checksum(raw[:headerSize], data)
	copy(raw[headerSize:], sum[:])
	return raw
}

// NowWithoutBootID is Now on a computer that does not tell its boots apart.
func NowWithoutBootID() (Stamp, error) { return now(bootIDFile + ".nowhere") }
