package history

import (
	"database/sql"
	"fmt"
	"slices"
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
			if err := rollUp(tx, before, spanStride); err != nil {
				return 0, err
			}
		}
		before = span
		j := i
		for j < len(rows) && rows[j].span == span {
			j++
		}
		n, err := insertRows(tx, levels()[0], s.series, rows[i:j])
		if err != nil {
			return 0, err
		}
		added += n
		end := rows[j-1].index + 1
		if last && j == len(rows) {
			end = spanStride
		}
		if err := rollUp(tx, span, end); err != nil {
			return 0, err
		}
		i = j
	}
	return added, nil
}

// insertRows writes rows whose cells are of these series, and returns how many were new. One
// that is there already belongs to a commit that was reported as failed and yet reached the disk.
func insertRows(tx *sql.Tx, l level, list []series, rows []row) (int64, error) {
	names := []string{"id", "ticks", "short"}
	for _, se := range list {
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
		values = append(values[:0], r.id(), r.ticks, shortfall(list, r))
		for i, se := range list {
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
// not yet there.
func rollUp(tx *sql.Tx, span, end int64) error {
	ls := levels()
	for i, to := range ls[1:] {
		first, err := nextIndex(tx, to, span)
		if err != nil {
			return err
		}
		if err := coarsen(tx, i+1, span, first, end/to.minutes); err != nil {
			return err
		}
	}
	return nil
}

// finerAtOnce bounds the rows that are read into memory to be merged: a month of hours.
const finerAtOnce = 30 * 24

// coarsen makes the rows [first, stop) of a level of a span from the rows one level below, by
// their ticks. It keeps the columns that the file has: a channel may have lost its wire since,
// and a command that only reads knows no wiring at all.
func coarsen(tx *sql.Tx, at int, span, first, stop int64) error {
	if first >= stop {
		return nil
	}
	from, to := levels()[at-1], levels()[at]
	ratio := to.minutes / from.minutes
	list, err := seriesIn(tx, from.table)
	if err != nil {
		return err
	}
	end, err := nextIndex(tx, from, span)
	if err != nil {
		return err
	}
	stop = min(stop, (end+ratio-1)/ratio)
	for ; first < stop; first += finerAtOnce / ratio {
		fine, err := readRows(tx, from, list, span*spanStride+first*ratio, span*spanStride+min(stop, first+finerAtOnce/ratio)*ratio)
		if err != nil {
			return err
		}
		var coarse []row
		for _, r := range fine {
			index := r.index / ratio
			if n := len(coarse); n == 0 || coarse[n-1].index != index {
				coarse = append(coarse, row{span: span, index: index, cells: make([]cell, len(list))})
			}
			c := &coarse[len(coarse)-1]
			c.ticks += r.ticks
			for k := range r.cells {
				c.cells[k].merge(r.cells[k])
			}
		}
		if _, err := insertRows(tx, to, list, coarse); err != nil {
			return err
		}
	}
	return nil
}

// fillDays makes days that are missing, from their hours: a file from before there were days
// has none, and a salvaged one neither. The newest span has no day yet that is not complete,
// unlike the others. It goes on from where a span has its newest day, does at most a month's
// worth, so that a commit never waits long for it, and returns the span to go on from: 0 where
// no day is missing.
func fillDays(tx *sql.Tx, from int64) (next int64, err error) {
	hours, days := levels()[2], levels()[3]
	var newest, id sql.NullInt64
	// A boot of some minutes has no hour, and a salvaged file may have no minutes.
	if err := tx.QueryRow("SELECT max(id) FROM (SELECT max(id) AS id FROM minutes UNION ALL SELECT max(id) FROM hours)").Scan(&newest); err != nil {
		return 0, fmt.Errorf("read newest span: %w", err)
	}
	for budget := int64(finerAtOnce); budget > 0; budget-- { // each span costs its seeks, too
		if err := tx.QueryRow("SELECT min(id) FROM hours WHERE id >= ?", from*spanStride).Scan(&id); err != nil {
			return 0, fmt.Errorf("read next span: %w", err)
		}
		if !id.Valid {
			return 0, nil
		}
		from = id.Int64 / spanStride
		first, err := nextIndex(tx, days, from)
		if err != nil {
			return 0, err
		}
		end, err := nextIndex(tx, hours, from)
		if err != nil {
			return 0, err
		}
		if from < newest.Int64/spanStride {
			end += 23 // its last day is over
		}
		stop := min(end/24, first+(budget+23)/24)
		if err := coarsen(tx, 3, from, first, stop); err != nil {
			return 0, err
		}
		budget -= max(0, stop-first) * 24
		if stop >= end/24 {
			from++
		}
	}
	return from, nil
}

// seriesIn lists what a table of charts has columns of, wired now or not.
func seriesIn(q querier, table string) ([]series, error) {
	have, err := columnsOf(q, table)
	if err != nil {
		return nil, fmt.Errorf("read columns of %s: %w", table, err)
	}
	var list []series
	for _, c := range have {
		base := strings.TrimSuffix(strings.TrimSuffix(c, "_below"), "_above")
		if slices.Contains([]string{"id", "ticks", "short"}, c) || base != c && slices.Contains(have, base) {
			continue
		}
		list = append(list, series{c, scaleOf(c), !slices.Contains(have, c+"_below")})
	}
	return list, nil
}

// nextIndex is the stretch after the newest one a span has at a level.
func nextIndex(tx *sql.Tx, l level, span int64) (int64, error) {
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

// readRows reads these series of the rows with ids in [from, to), oldest first.
func readRows(tx *sql.Tx, l level, list []series, from, to int64) ([]row, error) {
	var names []string
	for _, se := range list {
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
		r := row{span: id / spanStride, index: id % spanStride, ticks: ticks, cells: make([]cell, len(list))}
		at := 0
		for i, se := range list {
			width := len(se.columns())
			r.cells[i] = se.decode(values[at:at+width], known(se.name, ticks, short.String))
			at += width
		}
		all = append(all, r)
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("read %s: %w", l.table, err)
	}
	return all, nil
}
