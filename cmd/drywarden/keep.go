package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"time"

	"golang.org/x/sys/unix"

	"drywarden/cmd/drywarden/internal/kilnfile"
	"drywarden/hardware/trace"
)

// recorder is a daemon's: it knows where the run is, and keeps a trace. Writing is done by a goroutine of its own; what it
// cannot take in time is counted, not waited for. A trace that cannot be written is told and does not stop the kiln; it is
// tried again until the disk works, and goes on in a new file, so that no file has a gap.
type recorder struct {
	run   uint32
	stage int8
	gap   int // ticks that the queue did not take, not yet told to the writer
	lost  int // in all

	path   string
	most   int64 // bytes of a file; the one before is kept beside it
	log    *slog.Logger
	open   func(path string) (traceFile, error)
	items  chan recorded
	done   chan struct{}
	file   traceFile // nil: not open
	writer *trace.Writer
	header trace.Header // of the newest boot and run
	headed bool         // there was one
	broken bool         // the file at path ended in trouble: it is put aside
	err    error        // of the trouble; nil: all is well
	missed int          // ticks since then
	retry  time.Time    // next attempt
	synced time.Time
	fresh  bool // a tick was written since then
}

// traceFile is what the recorder needs of a file.
type traceFile interface {
	trace.File
	io.Closer
	Sync() error
}

func openTrace(path string) (traceFile, error) {
	return os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o640)
}

type recorded struct {
	header *trace.Header
	gap    int // ticks left out before what comes next
	record trace.Record
}

const (
	// recorderQueue is how many ticks may wait to be written.
	recorderQueue = 4096
	// traceMost bounds a trace: two files of this size hold several charges.
	traceMost = 64 << 20
	// traceRetry is how long after trouble with the disk it is tried again.
	traceRetry = 10 * time.Second
	// traceSync is how much of a trace a power cut may cost. The first ticks of a file are synced at once: that this
	// start was is known.
	traceSync = 10 * time.Second
)

// tracePath is where a daemon keeps its trace; empty: nowhere.
func tracePath(file *kilnfile.File, asked string) string {
	switch asked {
	case "":
		return filepath.Join(file.Path(file.State), "trace")
	case "off":
		return ""
	}
	return asked
}

func newRecorder(path string, log *slog.Logger) *recorder {
	return &recorder{stage: -1, path: path, most: traceMost, log: log, open: openTrace}
}

// openRecorder fails where a trace could never be kept; a disk that is full or read only may get well again.
func openRecorder(path string, log *slog.Logger) (*recorder, error) {
	r := newRecorder(path, log)
	if path == "" {
		return r, nil
	}
	file, err := r.open(path)
	switch {
	case err == nil:
		_ = file.Close() // it is opened again with the first header
	case !diskTrouble(err):
		return nil, fmt.Errorf("keep a trace: %w", err)
	}
	r.items, r.done = make(chan recorded, recorderQueue), make(chan struct{})
	go r.write()
	return r, nil
}

// diskTrouble tells trouble of a disk from a wrong path or missing rights.
func diskTrouble(err error) bool {
	for _, e := range []error{unix.ENOSPC, unix.EDQUOT, unix.EROFS, unix.EIO} {
		if errors.Is(err, e) {
			return true
		}
	}
	return false
}

func (r *recorder) where() (uint32, int8) { return r.run, r.stage }

// Header is called by the loop.
func (r *recorder) Header(h *trace.Header) {
	if r.items == nil {
		return
	}
	copied := *h
	r.put(recorded{header: &copied})
}

// Record is called by the loop.
func (r *recorder) Record(t *trace.Record) {
	r.run, r.stage = t.RunID, t.Stage
	if r.items != nil {
		r.put(recorded{record: *t})
	}
}

func (r *recorder) put(item recorded) {
	if r.gap > 0 && r.offer(recorded{gap: r.gap}) {
		r.gap = 0
	}
	if r.gap > 0 || !r.offer(item) {
		r.gap++
		r.lost++
	}
}

func (r *recorder) offer(item recorded) bool {
	select {
	case r.items <- item:
		return true
	default:
		return false
	}
}

func (r *recorder) write() {
	defer close(r.done)
	flush := time.NewTicker(time.Second)
	defer flush.Stop()
	for {
		select {
		case item, ok := <-r.items:
			if !ok {
				return
			}
			r.note(r.take(&item))
		case <-flush.C:
			r.note(r.tend())
		}
	}
}

// note tells of trouble once, and lets go of the file.
func (r *recorder) note(err error) {
	if err == nil {
		return
	}
	if r.err == nil {
		r.log.Error("the trace cannot be kept; it is tried again", "file", r.path, "err", err)
	}
	r.err, r.retry = err, time.Now().Add(traceRetry)
	r.broken = r.broken || r.writer != nil
	r.writer = nil
	if r.file != nil {
		_ = r.file.Close()
		r.file = nil
	}
}

func (r *recorder) take(item *recorded) error {
	switch {
	case item.gap > 0:
		r.log.Warn("the disk was too slow for the trace", "missed_ticks", item.gap)
		return r.next() // a file without a gap
	case item.header != nil:
		r.header, r.headed = *item.header, true
		switch {
		case r.writer != nil:
			return r.writer.Header(r.header)
		case r.err == nil:
			return r.begin()
		}
		return nil
	case r.writer == nil:
		r.missed++
		return nil
	}
	r.fresh = true
	return r.writer.Write(&item.record)
}

// tend is called every second.
func (r *recorder) tend() error {
	if r.writer == nil {
		if !r.headed || time.Now().Before(r.retry) {
			return nil
		}
		return r.begin()
	}
	if err := r.writer.Flush(); err != nil {
		return err
	}
	if now := time.Now(); r.fresh && now.Sub(r.synced) >= traceSync {
		r.synced, r.fresh = now, false
		if err := r.file.Sync(); err != nil {
			return fmt.Errorf("sync trace: %w", err)
		}
	}
	size, err := r.file.Seek(0, io.SeekCurrent)
	if err != nil || size < r.most {
		return err
	}
	return r.next()
}

// begin goes on in the file of the process before, which may have been killed in the middle of a block. A file that cannot
// be gone on in is put aside: it is evidence. So is one in which this process had trouble, since ticks are missing now.
func (r *recorder) begin() error {
	if r.broken {
		if err := os.Rename(r.path, r.path+".broken"); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
		r.broken = false
	}
	if err := r.reopen(); err != nil {
		return err
	}
	size, err := r.file.Seek(0, io.SeekEnd)
	if err != nil {
		return err
	}
	var w *trace.Writer
	if size > 0 {
		var tail trace.Tail
		w, tail, err = trace.Resume(r.file, r.header)
		switch {
		case err == nil && tail.Dropped > 0:
			r.log.Warn("the trace had a torn end, which was cut off", "bytes", tail.Dropped)
		case diskTrouble(err):
			return err
		case err != nil:
			r.log.Error("the trace cannot be gone on in and is put aside", "as", r.path+".damaged", "err", err)
			if err := r.aside(".damaged"); err != nil {
				return err
			}
		}
	}
	if w == nil {
		if w, err = trace.NewWriter(r.file, r.header); err != nil {
			return err
		}
	}
	r.writer, r.synced = w, time.Time{}
	if r.err != nil {
		r.log.Info("the trace is kept again", "file", r.path, "missed_ticks", r.missed)
		r.err, r.missed = nil, 0
	}
	return nil
}

// next begins a new file.
func (r *recorder) next() error {
	if r.writer == nil {
		return nil
	}
	if err := r.writer.Close(); err != nil {
		return err
	}
	r.writer = nil // this file is whole, whatever comes
	if err := r.aside(".before"); err != nil {
		return err
	}
	w, err := trace.NewWriter(r.file, r.header)
	if err == nil {
		r.writer = w
	}
	return err
}

func (r *recorder) aside(suffix string) error {
	err := errors.Join(r.file.Close(), os.Rename(r.path, r.path+suffix))
	r.file = nil
	if err != nil {
		return err
	}
	return r.reopen()
}

func (r *recorder) reopen() error {
	if r.file != nil {
		_ = r.file.Close()
		r.file = nil
	}
	file, err := r.open(r.path)
	if err == nil {
		r.file = file // a nil *os.File would be no nil interface
	}
	return err
}

func (r *recorder) close() error {
	if r.items == nil {
		return nil
	}
	close(r.items)
	<-r.done
	err := r.err
	if r.writer != nil {
		err = r.writer.Close()
	}
	if r.file != nil {
		err = errors.Join(err, r.file.Sync(), r.file.Close())
	}
	if r.lost > 0 {
		err = errors.Join(err, fmt.Errorf("%s could not be written in time", count(r.lost, "tick")))
	}
	if err != nil {
		return fmt.Errorf("keep a trace: %w", err)
	}
	return nil
}
