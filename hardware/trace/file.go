package trace

import (
	"bytes"
	"compress/flate"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
)

const (
	magic = "drywarden trace 1\n"

	// A block is: mark (2 bytes), kind (1), length of the payload (4), length once inflated (4), payload, CRC-32C of all
	// that (4); integers little-endian.
	headLen = 11
	tailLen = 4

	maxPayload = 1 << 20 // a block never needs more; a reader refuses a greater length before it allocates
	maxRaw     = 1 << 20
	blockRaw   = 32 << 10 // a block of records is written when it holds this many bytes
	blockTicks = 600      // or this many records: what a crash can lose
)

var (
	mark  = [2]byte{0xD7, 0x5A}
	table = crc32.MakeTable(crc32.Castagnoli)
)

// Kinds of block.
const (
	blockHeader  = 'H'
	blockRecords = 'R'
	blockEnd     = 'E'
)

// Damage tells that a trace ends in bytes that are no whole block, as a crash leaves them. All records before Offset
// were read.
type Damage struct {
	Offset int64 // of the first byte that could not be read
	Reason string
}

// Error says where and why.
func (d *Damage) Error() string {
	return fmt.Sprintf("trace is damaged from byte %d on: %s; everything before was read", d.Offset, d.Reason)
}

// Writer writes a trace. It is not safe for concurrent use. After an error it writes nothing more and gives the same
// error again; Resume can go on in the file.
type Writer struct {
	to      io.Writer
	c       coder
	raw     []byte
	ticks   int
	block   bytes.Buffer
	deflate *flate.Writer
	routine int // event kind that is no reason to write at once, -1 none
	err     error
}

// NewWriter begins a trace in an empty file. An error is that of the file, or of a header that no file can hold.
func NewWriter(to io.Writer, h Header) (*Writer, error) {
	if _, err := io.WriteString(to, magic); err != nil {
		return nil, fmt.Errorf("begin trace: %w", err)
	}
	return newWriter(to, h)
}

func newWriter(to io.Writer, h Header) (*Writer, error) {
	deflate, err := flate.NewWriter(nil, flate.BestSpeed)
	if err != nil {
		return nil, fmt.Errorf("begin trace: %w", err)
	}
	w := &Writer{to: to, deflate: deflate}
	w.block.Grow(blockRaw)
	if err := w.Header(h); err != nil {
		return nil, err
	}
	return w, nil
}

// Header begins a new boot or a new run in the same file. Records written before are flushed first.
func (w *Writer) Header(h Header) error {
	if err := w.Flush(); err != nil {
		return err
	}
	if len(h.Probes) > MaxProbes {
		return fmt.Errorf("write trace header: %d probes, at most %d", len(h.Probes), MaxProbes)
	}
	text, err := json.Marshal(h)
	if err != nil {
		return fmt.Errorf("write trace header: %w", err)
	}
	if len(text) > maxPayload {
		return fmt.Errorf("write trace header: %d bytes, at most %d", len(text), maxPayload)
	}
	w.c.reset(&h)
	w.routine = -1
	for i, name := range h.EventKinds {
		if name == "checkpoint" {
			w.routine = i
		}
	}
	w.begin(blockHeader)
	w.block.Write(text)
	return w.end(len(text))
}

// Write adds a record. It reaches the file when a block is full, or at once when the record carries an event other than
// a checkpoint, so that a crash of the process loses little and nothing that was told. Events past EventCount are not
// kept.
func (w *Writer) Write(r *Record) error {
	if w.err != nil {
		return w.err
	}
	if r.EventCount > MaxEvents {
		return fmt.Errorf("write trace record: %d events, at most %d", r.EventCount, MaxEvents)
	}
	w.c.mask, w.c.buf = 0, w.c.buf[:0]
	// The coder walks both ways and puts each field back as it was.
	if err := w.c.record(r); err != nil {
		return fmt.Errorf("write trace record: %w", err)
	}
	w.raw = binary.AppendUvarint(w.raw, w.c.mask)
	w.raw = append(w.raw, w.c.buf...)
	w.ticks++
	if w.ticks >= blockTicks || len(w.raw) >= blockRaw || w.told(r) {
		return w.Flush()
	}
	return nil
}

func (w *Writer) told(r *Record) bool {
	for i := range r.EventCount {
		if int(r.Events[i].Kind) != w.routine {
			return true
		}
	}
	return false
}

// Flush hands the records so far to the file. It does not sync the file.
func (w *Writer) Flush() error {
	if w.err != nil || w.ticks == 0 {
		return w.err
	}
	w.begin(blockRecords)
	w.deflate.Reset(&w.block)
	if _, err := w.deflate.Write(w.raw); err != nil {
		w.err = fmt.Errorf("write trace: %w", err)
		return w.err
	}
	if err := w.deflate.Close(); err != nil {
		w.err = fmt.Errorf("write trace: %w", err)
		return w.err
	}
	size := len(w.raw)
	w.raw, w.ticks = w.raw[:0], 0
	return w.end(size)
}

// Close flushes and marks the end. It does not close the file.
func (w *Writer) Close() error {
	if err := w.Flush(); err != nil {
		return err
	}
	w.begin(blockEnd)
	err := w.end(0)
	if w.err == nil {
		w.err = errors.New("write trace: it is closed")
	}
	return err
}

func (w *Writer) begin(kind byte) {
	w.block.Reset()
	w.block.Write([]byte{mark[0], mark[1], kind, 0, 0, 0, 0, 0, 0, 0, 0})
}

func (w *Writer) end(raw int) error {
	b := w.block.Bytes()
	binary.LittleEndian.PutUint32(b[3:], uint32(len(b)-headLen))
	binary.LittleEndian.PutUint32(b[7:], uint32(raw))
	var sum [tailLen]byte
	binary.LittleEndian.PutUint32(sum[:], crc32.Checksum(b, table))
	w.block.Write(sum[:])
	if _, err := w.to.Write(w.block.Bytes()); err != nil {
		w.err = fmt.Errorf("write trace: %w", err)
	}
	return w.err
}

// Reader reads a trace. It is not safe for concurrent use.
type Reader struct {
	blocks  blocks
	c       coder
	record  Record
	raw     []byte
	inflate io.ReadCloser
	source  bytes.Reader
	headed  bool
	err     error
}

// NewReader checks that the file is a trace.
func NewReader(from io.Reader) (*Reader, error) {
	r := &Reader{blocks: blocks{from: from}}
	r.c.decoding = true
	r.inflate = flate.NewReader(&r.source)
	if err := r.blocks.start(); err != nil {
		return nil, err
	}
	return r, nil
}

// Next gives the next record or the next header, never both; the first is a header. The record is overwritten by the
// next call. The error is io.EOF at the end, and *Damage when the rest cannot be read.
func (r *Reader) Next() (*Record, *Header, error) {
	for r.err == nil {
		if len(r.c.buf) > 0 {
			return r.next()
		}
		kind, payload, size, err := r.blocks.next()
		switch {
		case err != nil:
			r.err = err
		case kind == blockHeader:
			h := new(Header)
			if err := json.Unmarshal(payload, h); err != nil {
				r.err = r.blocks.damage("a header cannot be read: " + err.Error())
				break
			}
			r.c.reset(h)
			r.headed = true
			return nil, h, nil
		case kind == blockRecords && !r.headed:
			r.err = r.blocks.damage("records stand before any header")
		case kind == blockRecords:
			r.unpack(payload, size)
		}
	}
	return nil, nil, r.err
}

func (r *Reader) unpack(payload []byte, size int) {
	if cap(r.raw) < size {
		r.raw = make([]byte, size)
	}
	r.raw = r.raw[:size]
	r.source.Reset(payload)
	if err := r.inflate.(flate.Resetter).Reset(&r.source, nil); err != nil {
		r.err = r.blocks.damage(err.Error())
		return
	}
	if _, err := io.ReadFull(r.inflate, r.raw); err != nil {
		r.err = r.blocks.damage("records cannot be inflated: " + err.Error())
		return
	}
	r.c.buf = r.raw
}

func (r *Reader) next() (*Record, *Header, error) {
	r.c.mask = r.c.get()
	err := r.c.record(&r.record)
	if err == nil && r.c.bad {
		err = errShort
	}
	if err != nil {
		r.err = r.blocks.damage(err.Error())
		return nil, nil, r.err
	}
	return &r.record, nil, nil
}

// blocks reads whole blocks and checks them.
type blocks struct {
	from    io.Reader
	offset  int64 // of the block last asked for
	at      int64 // of the next byte
	payload []byte
}

func (b *blocks) damage(reason string) *Damage { return &Damage{Offset: b.offset, Reason: reason} }

func (b *blocks) start() error {
	var head [len(magic)]byte
	n, err := io.ReadFull(b.from, head[:])
	if err != nil && err != io.EOF && err != io.ErrUnexpectedEOF {
		return fmt.Errorf("read trace: %w", err)
	}
	if string(head[:n]) != magic {
		return fmt.Errorf("read trace: the file does not begin with %q", magic[:len(magic)-1])
	}
	b.at = int64(n)
	return nil
}

// next gives the next block's kind, payload (good until the next call) and inflated length. io.EOF: there is none.
func (b *blocks) next() (kind byte, payload []byte, raw int, err error) {
	b.offset = b.at
	var head [headLen]byte
	n, err := io.ReadFull(b.from, head[:])
	b.at += int64(n)
	switch {
	case err == io.EOF:
		return 0, nil, 0, io.EOF
	case err == io.ErrUnexpectedEOF:
		return 0, nil, 0, b.damage("a block is cut short")
	case err != nil:
		return 0, nil, 0, fmt.Errorf("read trace at byte %d: %w", b.offset, err)
	case head[0] != mark[0] || head[1] != mark[1]:
		return 0, nil, 0, b.damage("no block begins here")
	}
	kind = head[2]
	size, full := binary.LittleEndian.Uint32(head[3:]), binary.LittleEndian.Uint32(head[7:])
	if size > maxPayload || full > maxRaw {
		return 0, nil, 0, b.damage("a block is longer than any can be")
	}
	if need := int(size) + tailLen; cap(b.payload) < need {
		b.payload = make([]byte, need)
	} else {
		b.payload = b.payload[:need]
	}
	n, err = io.ReadFull(b.from, b.payload)
	b.at += int64(n)
	if err == io.EOF || err == io.ErrUnexpectedEOF {
		return 0, nil, 0, b.damage("a block is cut short")
	} else if err != nil {
		return 0, nil, 0, fmt.Errorf("read trace at byte %d: %w", b.offset, err)
	}
	sum := crc32.Update(crc32.Checksum(head[:], table), table, b.payload[:size])
	if sum != binary.LittleEndian.Uint32(b.payload[size:]) {
		return 0, nil, 0, b.damage("a block's checksum is wrong")
	}
	if kind != blockHeader && kind != blockRecords && kind != blockEnd {
		return 0, nil, 0, b.damage(fmt.Sprintf("a block is of unknown kind %q", kind))
	}
	return kind, b.payload[:size], int(full), nil
}

// File is what Resume needs of a file opened for reading and writing.
type File interface {
	io.Reader
	io.Writer
	io.Seeker
	Truncate(size int64) error
}

// Tail is what Resume found in the file.
type Tail struct {
	Boot    uint32 // of the last header; 0 in an empty file
	Closed  bool   // the writer before had closed it
	Dropped int64  // bytes of a torn tail that were cut off
}

// Resume goes on in an existing trace, or begins one in an empty file: it cuts off a tail that a crash has torn and
// writes the header, with TailLost set when the writer before did not close. A file that is no trace, and one whose
// damage has whole blocks after it (which no crash explains), is refused and left as it is. It reads the file once.
func Resume(f File, h Header) (*Writer, Tail, error) {
	var tail Tail
	length, err := f.Seek(0, io.SeekEnd)
	if err == nil {
		_, err = f.Seek(0, io.SeekStart)
	}
	if err != nil {
		return nil, tail, fmt.Errorf("resume trace: %w", err)
	}
	b := blocks{from: f}
	keep := int64(0)
	// A crash right after the file was made may have left part of the magic line.
	if length >= int64(len(magic)) {
		if err := b.start(); err != nil {
			return nil, tail, fmt.Errorf("resume trace: %w", err)
		}
		keep = b.at
	} else if part := make([]byte, length); true {
		if _, err := io.ReadFull(f, part); err != nil {
			return nil, tail, fmt.Errorf("resume trace: %w", err)
		}
		if string(part) != magic[:length] {
			return nil, tail, fmt.Errorf("resume trace: the file does not begin with %q", magic[:len(magic)-1])
		}
	}
	whole := 0
	for keep > 0 {
		kind, payload, _, err := b.next()
		var damage *Damage
		if err == io.EOF {
			break
		} else if errors.As(err, &damage) {
			if later, err := wholeBlockAfter(f, keep+1, length); err != nil {
				return nil, tail, fmt.Errorf("resume trace: %w", err)
			} else if later {
				return nil, tail, fmt.Errorf("resume trace: damaged in the middle, begin a new file: %w", damage)
			}
			tail.Closed = false
			break
		} else if err != nil {
			return nil, tail, fmt.Errorf("resume trace: %w", err)
		}
		whole++
		tail.Closed = kind == blockEnd
		if kind == blockHeader {
			var last struct {
				Boot uint32 `json:"boot"`
			}
			if err := json.Unmarshal(payload, &last); err != nil {
				return nil, tail, fmt.Errorf("resume trace: header at byte %d: %w", b.offset, err)
			}
			tail.Boot = last.Boot
		}
		keep = b.at
	}
	tail.Dropped = length - keep
	if err := f.Truncate(keep); err != nil {
		return nil, tail, fmt.Errorf("resume trace: %w", err)
	}
	if _, err := f.Seek(keep, io.SeekStart); err != nil {
		return nil, tail, fmt.Errorf("resume trace: %w", err)
	}
	h.TailLost = whole > 0 && !tail.Closed
	if keep == 0 {
		w, err := NewWriter(f, h)
		return w, tail, err
	}
	w, err := newWriter(f, h)
	return w, tail, err
}

// wholeBlockAfter looks for a block with a good checksum between from and length.
func wholeBlockAfter(f File, from, length int64) (bool, error) {
	if _, err := f.Seek(from, io.SeekStart); err != nil {
		return false, err
	}
	// A torn tail is as long as what was not synced: seldom more than a few blocks.
	rest, err := io.ReadAll(io.LimitReader(f, min(length-from, 64<<20)))
	if err != nil {
		return false, err
	}
	for i := 0; ; i++ {
		j := bytes.Index(rest[i:], mark[:])
		if j < 0 {
			return false, nil
		}
		i += j
		if _, _, _, err := (&blocks{from: bytes.NewReader(rest[i:])}).next(); err == nil {
			return true, nil
		}
	}
}
