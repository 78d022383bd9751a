package history

import (
	"bytes"
	"compress/flate"
	"database/sql"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"slices"
)

// Checkpoints are written with every alarm and every ten minutes, and are the largest thing
// that is: 22 KB after a day. Most of one is as it was in the one before. So a whole one is
// kept as a base, renewed at least hourly, and those after it are compressed against it,
// which takes a third off all that is written in a day. There are two rows of each kind,
// written in turn, each with its check sum: whichever row a bad card takes, an older
// checkpoint can be read.

const (
	basePatches  = 6    // patches before a new base: an hour of quiet
	patchAtMost  = 3072 // bytes; a longer one is better a base
	baseStep     = 2048
	checksumSize = 4
)

// packer makes the bodies of checkpoint rows.
type packer struct {
	base, next     *base // committed, and written by the commit under way
	patches        int
	bases          int           // written since the start; patches begin when there are two to fall back on
	deflate        *flate.Writer // against base
	out            bytes.Buffer
	patchesWaiting int
}

// base is a whole checkpoint on the disk.
type base struct {
	gen, slot int64
	json      []byte
}

// forget makes the next checkpoint a whole one.
func (p *packer) forget() { *p = packer{} }

// begin forgets what a commit that failed had packed.
func (p *packer) begin() { p.next, p.patchesWaiting = nil, 0 }

// committed says that the last pack is on the disk. A base that may not be there must never
// be built on.
func (p *packer) committed() {
	if p.next != nil {
		p.base, p.next, p.patches, p.deflate = p.next, nil, 0, nil
		p.bases++
	}
	p.patches += p.patchesWaiting
	p.patchesWaiting = 0
}

// writeCheckpoint overwrites the older of two rows.
func (s *Store) writeCheckpoint(tx *sql.Tx, json []byte) error {
	var newest int64
	if err := tx.QueryRow("SELECT coalesce(max(gen), 0) FROM state").Scan(&newest); err != nil {
		return fmt.Errorf("write checkpoint: %w", err)
	}
	p := &s.packer
	if p.base != nil && p.bases > 1 && p.patches < basePatches {
		body, err := p.patch(json)
		if err != nil {
			return fmt.Errorf("pack checkpoint: %w", err)
		}
		if len(body) <= patchAtMost {
			p.patchesWaiting = 1
			return putState(tx, statePatch+newest%2, newest+1, body)
		}
	}
	slot, err := s.olderBase(tx)
	if err != nil {
		return err
	}
	body, err := p.whole(json)
	if err != nil {
		return fmt.Errorf("pack checkpoint: %w", err)
	}
	p.next = &base{newest + 1, slot, slices.Clone(json)}
	return putState(tx, slot, newest+1, body)
}

// olderBase is the slot a new base may overwrite.
func (s *Store) olderBase(tx *sql.Tx) (int64, error) {
	if b := s.packer.base; b != nil {
		return 2*stateBase + 1 - b.slot, nil
	}
	ids, err := intsOf(tx, "SELECT id FROM state WHERE id IN (?, ?) ORDER BY gen DESC LIMIT 1", stateBase, stateBase+1)
	if err != nil {
		return 0, fmt.Errorf("write checkpoint: %w", err)
	}
	if len(ids) == 0 {
		return stateBase, nil
	}
	return 2*stateBase + 1 - ids[0], nil
}

// whole is the check sum and the compressed text.
func (p *packer) whole(json []byte) ([]byte, error) {
	w, err := flate.NewWriter(&p.out, flate.DefaultCompression)
	if err != nil {
		return nil, err
	}
	body, err := p.pack(w, nil, json)
	return pad(body, baseStep), err
}

// patch is the number of its base, the check sum of the text, and the text compressed with
// the base as the dictionary.
func (p *packer) patch(json []byte) ([]byte, error) {
	if p.deflate == nil {
		var err error
		if p.deflate, err = flate.NewWriterDict(&p.out, flate.DefaultCompression, p.base.json); err != nil {
			return nil, err
		}
	}
	body, err := p.pack(p.deflate, binary.BigEndian.AppendUint64(nil, uint64(p.base.gen)), json)
	return pad(body, patchAtMost), err
}

// pad fills up to a multiple of step: a row that keeps its length is overwritten in place,
// one that does not moves through the list of free pages, which writes two more.
func pad(b []byte, step int) []byte { return append(b, make([]byte, (step-len(b)%step)%step)...) }

func (p *packer) pack(w *flate.Writer, head, json []byte) ([]byte, error) {
	p.out.Reset()
	p.out.Write(head)
	p.out.Write(binary.BigEndian.AppendUint32(nil, crc32.ChecksumIEEE(json)))
	w.Reset(&p.out)
	if _, err := w.Write(json); err != nil {
		return nil, err
	}
	if err := w.Close(); err != nil {
		return nil, err
	}
	return slices.Clone(p.out.Bytes()), nil
}

// unpack reads what pack wrote, without the head.
func unpack(body, dict []byte) ([]byte, error) {
	if len(body) < checksumSize {
		return nil, io.ErrUnexpectedEOF
	}
	json, err := io.ReadAll(flate.NewReaderDict(bytes.NewReader(body[checksumSize:]), dict))
	if err != nil {
		return nil, err
	}
	if crc32.ChecksumIEEE(json) != binary.BigEndian.Uint32(body) {
		return nil, errors.New("check sum does not match")
	}
	return json, nil
}

// readCheckpoint returns the newest checkpoint that is whole, or nil.
func readCheckpoint(q querier) ([]byte, error) {
	bases := make(map[int64][]byte) // by generation
	var best []byte
	var newest int64
	for slot := int64(stateBase); slot < stateBase+2; slot++ {
		body, gen, err := getState(q, slot)
		if err != nil {
			return nil, err
		}
		json, err := unpack(body, nil)
		if err != nil {
			continue // not there, or broken: what the other is for
		}
		if bases[gen] = json; gen > newest {
			best, newest = json, gen
		}
	}
	for slot := int64(statePatch); slot < statePatch+2; slot++ {
		body, gen, err := getState(q, slot)
		if err != nil {
			return nil, err
		}
		if len(body) < 8 || gen <= newest {
			continue
		}
		on, there := bases[int64(binary.BigEndian.Uint64(body))]
		if !there {
			continue
		}
		if json, err := unpack(body[8:], on); err == nil {
			best, newest = json, gen
		}
	}
	return best, nil
}
