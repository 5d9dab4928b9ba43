package probe

// CRC8 is the checksum of the SHT humidity sensors: polynomial 0x31, start 0xFF, not reflected, no final exclusive or
// (datasheet SHT3x-DIS, table "I2C CRC properties": CRC of 0xBEEF is 0x92).
func CRC8(data []byte) byte {
	crc := byte(0xFF)
	for _, b := range data {
		crc ^= b
		for range 8 {
			if crc&0x80 != 0 {
				crc = crc<<1 ^ 0x31
			} else {
				crc <<= 1
			}
		}
	}
	return crc
}

// CRC8OneWire is the checksum of the 1-wire bus: x^8+x^5+x^4+1, reflected 0x8C, start 0 (DS18B20 datasheet, section "CRC
// generation"). Nine zero bytes pass it.
func CRC8OneWire(data []byte) byte {
	crc := byte(0)
	for _, b := range data {
		crc ^= b
		for range 8 {
			if crc&1 != 0 {
				crc = crc>>1 ^ 0x8C
			} else {
				crc >>= 1
			}
		}
	}
	return crc
}
