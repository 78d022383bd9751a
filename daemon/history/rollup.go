package history

import (
	"database/sql"
	"errors"
	"fmt"
	"strings"
)

// writeRows stores finished minutes and, in the same transaction, the quarters, hours and days
// that they complete. A stretch that the last run left unfinished is completed from its
// minutes when the first row of the next span comes. It returns the number of minutes added.
func (s *Store) writeRows(tx *sql.Tx, rows []row, last bool) (int64, error) {
	if len(rows) == 0 {
		return 0, nil
	}
	var newest sql.NullInt64
	if err := tx.QueryRow("SELECT max(id) FROM minutes").Scan(&newest); err != nil {
		return 0, fmt.Errorf("read newest minute: %w", err)
	}
	before := newest.Int64 / spanStride
	var added int64
	for i := 0; i < len(rows); {
		span := rows[i].span
		if before != 0 && before != span {
			if err := s.rollUp(tx, before, spanStride); err != nil {
				return 0, err
			}
		}
		before = span
		j := i
		for j < len(rows) && rows[j].span == span {
			j++
		}
		n, err := s.insertRows(tx, levels()[0], rows[i:j])
		if err != nil {
			return 0, err
		}
		added += n
		end := rows[j-1].index + 1
		if last && j == len(rows) {
			end = spanStride
		}
		if err := s.rollUp(tx, span, end); err != nil {
			return 0, err
		}
		i = j
	}
	return added, nil
}

// insertRows returns how many were new. One that is there already belongs to a commit that
// was reported as failed and yet reached the disk.
func (s *Store) insertRows(tx *sql.Tx, l level, rows []row) (int64, error) {
	names := []string{"id", "ticks", "short"}
	for _, se := range s.series {
		for _, c := range se.columns() {
			names = append(names, fmt.Sprintf("%q", c))
		}
	}
	stmt, err := tx.Prepare(fmt.Sprintf("INSERT OR IGNORE INTO %s (%s) VALUES (%s)",
		l.table, strings.Join(names, ", "), placeholders(len(names))))
	if err != nil {
		return 0, fmt.Errorf("write %s: %w", l.table, err)
	}
	defer stmt.Close()
	var added int64
	values := make([]any, 0, len(names))
	for _, r := range rows {
		values = append(values[:0], r.id(), r.ticks, s.shortfall(r))
		for i, se := range s.series {
			values = se.encode(values, r.cells[i])
		}
		res, err := stmt.Exec(values...)
		if err != nil {
			return 0, fmt.Errorf("write %s: %w", l.table, err)
		}
		n, err := res.RowsAffected()
		if err != nil {
			return 0, err
		}
		added += n
	}
	return added, nil
}

// rollUp writes the quarters, hours and days of a span that end at or before minute end and are
// not yet there. Each is made from the rows one level below it, by their ticks.
func (s *Store) rollUp(tx *sql.Tx, span, end int64) error {
	ls := levels()
	for i, to := range ls[1:] {
		from := ls[i]
		ratio := to.minutes / from.minutes
		first, err := s.nextIndex(tx, to, span)
		if err != nil {
			return err
		}
		stop := end / to.minutes // the first stretch that is not complete
		if first >= stop {
			continue
		}
		fine, err := s.readRows(tx, from, span*spanStride+first*ratio, min(span*spanStride+stop*ratio, (span+1)*spanStride))
		if err != nil {
			return err
		}
		var coarse []row
		for _, r := range fine {
			index := r.index / ratio
			if n := len(coarse); n == 0 || coarse[n-1].index != index {
				coarse = append(coarse, row{span: span, index: index, cells: make([]cell, len(s.series))})
			}
			c := &coarse[len(coarse)-1]
			c.ticks += r.ticks
			for k := range r.cells {
				c.cells[k].merge(r.cells[k])
			}
		}
		if _, err := s.insertRows(tx, to, coarse); err != nil {
			return err
		}
	}
	return nil
}

// fillDays makes the days of a file that has none yet, from its hours: of spans that are over
// to their end, of the newest those that are complete.
func (s *Store) fillDays(tx *sql.Tx) error {
	var have bool
	if err := tx.QueryRow("SELECT EXISTS (SELECT 1 FROM days)").Scan(&have); err != nil || have {
		return err
	}
	rows, err := tx.Query("SELECT DISTINCT id / ? FROM hours ORDER BY 1", spanStride)
	if err != nil {
		return err
	}
	var spans []int64
	for rows.Next() {
		var span int64
		if err := rows.Scan(&span); err != nil {
			rows.Close()
			return err
		}
		spans = append(spans, span)
	}
	if err := errors.Join(rows.Err(), rows.Close()); err != nil {
		return err
	}
	for i, span := range spans {
		hours, err := s.nextIndex(tx, levels()[2], span)
		if err != nil {
			return err
		}
		const month = 30 * 24 * 60 // minutes; a span of years would take too much memory at once
		for end := int64(month); end < hours*60; end += month {
			if err := s.rollUp(tx, span, end); err != nil {
				return err
			}
		}
		last := hours * 60
		if i < len(spans)-1 {
			last = spanStride
		}
		if err := s.rollUp(tx, span, last); err != nil {
			return err
		}
	}
	return nil
}

// nextIndex is the stretch after the newest one a span has at a level.
func (s *Store) nextIndex(tx *sql.Tx, l level, span int64) (int64, error) {
	var newest sql.NullInt64
	err := tx.QueryRow(fmt.Sprintf("SELECT max(id) FROM %s WHERE id >= ? AND id < ?", l.table),
		span*spanStride, (span+1)*spanStride).Scan(&newest)
	if err != nil {
		return 0, fmt.Errorf("read newest of %s: %w", l.table, err)
	}
	if !newest.Valid {
		return 0, nil
	}
	return newest.Int64%spanStride + 1, nil
}

// readRows reads whole rows with ids in [from, to), oldest first.
func (s *Store) readRows(tx *sql.Tx, l level, from, to int64) ([]row, error) {
	var names []string
	for _, se := range s.series {
		for _, c := range se.columns() {
			names = append(names, fmt.Sprintf(", %q", c))
		}
	}
	rows, err := tx.Query(fmt.Sprintf("SELECT id, ticks, short%s FROM %s WHERE id >= ? AND id < ? ORDER BY id",
		strings.Join(names, ""), l.table), from, to)
	if err != nil {
		return nil, fmt.Errorf("read %s: %w", l.table, err)
	}
	defer rows.Close()
	var all []row
	for rows.Next() {
		var id int64
		var ticks int
		var short sql.NullString
		values := make([]*int64, len(names))
		into := []any{&id, &ticks, &short}
		for i := range values {
			into = append(into, &values[i])
		}
		if err := rows.Scan(into...); err != nil {
			return nil, fmt.Errorf("read %s: %w", l.table, err)
		}
		r := row{span: id / spanStride, index: id % spanStride, ticks: ticks, cells: make([]cell, len(s.series))}
		for i, at := 0, 0; i < len(s.series); i++ {
			width := len(s.series[i].columns())
			r.cells[i] = s.series[i].decode(values[at:at+width], known(s.series[i].name, ticks, short.String))
			at += width
		}
		all = append(all, r)
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("read %s: %w", l.table, err)
	}
	return all, nil
}
