package main

import (
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"time"

	"drywarden/cmd/drywarden/internal/kilnfile"
	"drywarden/hardware/trace"
)

// recorder is a daemon's: it knows where the run is, and keeps a trace. Writing is done by a goroutine of its own; what it
// cannot take in time is counted, not waited for, and a trace that cannot be written is told and does not stop the kiln.
type recorder struct {
	run   uint32
	stage int8

	path   string
	most   int64 // bytes of a file; the one before is kept beside it
	log    *slog.Logger
	file   *os.File
	writer *trace.Writer
	header trace.Header // of the newest boot and run
	items  chan recorded
	done   chan struct{}
	lost   int
	err    error // of the writing, the last
}

type recorded struct {
	header *trace.Header
	record trace.Record
}

const (
	// recorderQueue is how many ticks may wait to be written.
	recorderQueue = 4096
	// syncEvery is how many flushes, one a second, may be lost in a power cut. The first is not: that this start was is known.
	syncEvery = 10
	// traceMost bounds a trace: two files of this size hold several charges.
	traceMost = 64 << 20
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

func openRecorder(path string, log *slog.Logger) (*recorder, error) {
	r := &recorder{stage: -1, path: path, most: traceMost, log: log}
	if path == "" {
		return r, nil
	}
	if err := r.open(); err != nil {
		return nil, fmt.Errorf("keep a trace: %w", err)
	}
	r.items, r.done = make(chan recorded, recorderQueue), make(chan struct{})
	go r.write()
	return r, nil
}

func (r *recorder) open() (err error) {
	r.file, err = os.OpenFile(r.path, os.O_RDWR|os.O_CREATE, 0o640)
	return err
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
	select {
	case r.items <- item:
	default:
		r.lost++
	}
}

func (r *recorder) write() {
	defer close(r.done)
	flush := time.NewTicker(time.Second)
	defer flush.Stop()
	for flushes := 0; ; {
		select {
		case item, ok := <-r.items:
			if !ok {
				return
			}
			r.note(r.take(&item))
		case <-flush.C:
			if r.writer == nil {
				continue
			}
			r.note(r.writer.Flush())
			if flushes%syncEvery == 0 {
				r.note(r.file.Sync())
			}
			flushes++
			r.note(r.turn())
		}
	}
}

// note tells of trouble once. After it nothing more is written until the next start.
func (r *recorder) note(err error) {
	if err != nil && r.err == nil {
		r.err, r.writer = err, nil
		r.log.Error("the trace cannot be kept", "file", r.path, "err", err)
	}
}

func (r *recorder) take(item *recorded) (err error) {
	switch {
	case r.err != nil:
	case item.header != nil && r.writer == nil:
		r.header = *item.header
		return r.begin()
	case item.header != nil:
		r.header = *item.header
		return r.writer.Header(r.header)
	case r.writer != nil:
		return r.writer.Write(&item.record)
	}
	return nil
}

// begin goes on in the file of the process before, which may have been killed in the middle of a block. A file that cannot
// be gone on in is put aside: it is evidence.
func (r *recorder) begin() error {
	size, err := r.file.Seek(0, io.SeekEnd)
	if err != nil {
		return err
	}
	if size > 0 {
		w, tail, err := trace.Resume(r.file, r.header)
		if err == nil {
			if tail.Dropped > 0 {
				r.log.Warn("the trace had a torn end, which was cut off", "bytes", tail.Dropped)
			}
			r.writer = w
			return nil
		}
		r.log.Error("the trace cannot be gone on in and is put aside", "as", r.path+".damaged", "err", err)
		if err := r.aside(".damaged"); err != nil {
			return err
		}
	}
	r.writer, err = trace.NewWriter(r.file, r.header)
	return err
}

// turn begins a new file when this one is full.
func (r *recorder) turn() error {
	if r.writer == nil {
		return nil
	}
	size, err := r.file.Seek(0, io.SeekCurrent)
	if err != nil || size < r.most {
		return err
	}
	if err := r.writer.Close(); err != nil {
		return err
	}
	if err := r.aside(".before"); err != nil {
		return err
	}
	r.writer, err = trace.NewWriter(r.file, r.header)
	return err
}

func (r *recorder) aside(suffix string) error {
	if err := errors.Join(r.file.Close(), os.Rename(r.path, r.path+suffix)); err != nil {
		return err
	}
	return r.open()
}

func (r *recorder) close() error {
	if r.items == nil {
		return nil
	}
	close(r.items)
	<-r.done
	var closed error
	if r.writer != nil {
		closed = r.writer.Close()
	}
	err := errors.Join(r.err, closed, r.file.Close())
	if r.lost > 0 {
		err = errors.Join(err, fmt.Errorf("%s could not be written in time", count(r.lost, "tick")))
	}
	if err != nil {
		return fmt.Errorf("keep a trace: %w", err)
	}
	return nil
}
