package store

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
)

// Hash gives the name under which data is kept: SHA-256 in hexadecimal.
func Hash(data []byte) string {
	sum := sha256.Sum256(data)
	return hex.EncodeToString(sum[:])
}

const copyPrefix = "copy-"

// Keep makes a copy of data durable and gives its hash. What is kept already is not written again.
func Keep(f FS, data []byte) (hash string, err error) {
	hash = Hash(data)
	if _, err := Kept(f, hash); err == nil {
		return hash, f.SyncDir() // the name may have been written by a process that did not get this far
	}
	if err := write(f, copyPrefix+hash, data); err != nil {
		return "", fmt.Errorf("keep a copy: %w", err)
	}
	return hash, nil
}

// Kept gives the copy with this hash, checked against it.
func Kept(f FS, hash string) ([]byte, error) {
	if raw, err := hex.DecodeString(hash); err != nil || len(raw) != sha256.Size {
		return nil, fmt.Errorf("read kept copy: %q is no hash", hash)
	}
	data, err := f.ReadFile(copyPrefix + hash)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("read kept copy %.12s: there is none: %w", hash, err)
	}
	if err != nil {
		return nil, fmt.Errorf("read kept copy %.12s: %w", hash, err)
	}
	if Hash(data) != hash {
		return nil, fmt.Errorf("read kept copy %.12s: checksum does not fit", hash)
	}
	return data, nil
}
