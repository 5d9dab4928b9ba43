// Package store keeps the few bytes that must survive a power cut: control state, latched trips, and copies of the files
// a charge is run by. It knows bytes, names and generations, not what they mean.
//
// Each thing kept in slots has two files, written in turn, each with magic, format version, sequence, generation, length
// and a SHA-256 over all of it. A write goes to a temporary file in the same folder, is synced, renamed over the older
// slot, and the folder is synced; only then does Save return. So a cut at any instant leaves the newest saved image or
// the one being saved, never neither. Power-cut tests run over storetest's file system, which forgets what was not synced.
//
// One goroutine at a time may use a Slots or Trips. The package imports nothing of the project.
package store
