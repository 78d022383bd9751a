package history

import (
	"cmp"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"frostline/daemon/core"
	"frostline/daemon/nights"
)

const (
	rawSpan     = 2 * 24 * time.Hour  // up to this, charts are drawn from minutes,
	quarterSpan = 60 * 24 * time.Hour // up to this from quarters, beyond from hours (libraries.md 1.3),
	dayPoints   = 24 * time.Hour      // and where a point is to be as long as this, from days
)

// Names are of the series that are kept: the channels in the order of the wiring, then the
// estimates.
func (s *Store) Names() []string {
	var all []string
	for _, se := range s.series {
		all = append(all, se.name)
	}
	return all
}

// Series returns the history of a channel or an estimate (by its name in the estimates file;
// "gas_band" runs from 0, blind, to 4, leave) in [from, to), oldest first. Up to two days
// come from minutes, including those not yet on the disk, up to sixty from quarters of an
// hour, longer ones from hours, or from days of up time where maxPoints leaves no more than one
// a day, and what no day holds yet from its hours; a quarter, hour or day is there once it is
// complete, or once its boot has ended. If that is more than maxPoints, neighbours are merged
// into buckets of equal length; maxPoints 0 merges nothing. A stretch in which the value was not
// known is left out. A name nothing was ever recorded under has an empty history; a name that is
// no series is an error.
func (s *Store) Series(ctx context.Context, name string, from, to time.Time, maxPoints int) ([]core.Bucket, error) {
	i := slices.IndexFunc(s.series, func(se series) bool { return se.name == name })
	if i < 0 {
		return nil, fmt.Errorf("history of %q: no such series; it is the name of a wired channel or of an estimate", name)
	}
	s.files.RLock()
	defer s.files.RUnlock()
	if s.r == nil {
		return nil, fmt.Errorf("history of %s: the store is closed", name)
	}
	ls := levels()
	at, last := 0, 2
	switch span := to.Sub(from); {
	case maxPoints > 0 && span > quarterSpan && span/time.Duration(maxPoints) >= dayPoints:
		at, last = 3, 3
	case span > quarterSpan:
		at = 2
	case span > rawSpan:
		at = 1
	}
	waiting, now := s.waiting()      // taken first: what is committed from here on is found in the file
	tx, err := s.r.BeginTx(ctx, nil) // of one moment: an hour must not become a day between two readings
	if err != nil {
		return nil, fmt.Errorf("history of %s: %w", name, err)
	}
	defer tx.Rollback() // nothing was written
	var points []core.Bucket
	for ; at <= last; at++ { // old minutes are gone, their quarters are not
		if points, err = stored(ctx, tx, ls[at], s.series[i], from, to, "0"); err != nil {
			return nil, fmt.Errorf("history of %s: %w", name, err)
		}
		if at == 3 {
			rest, err := stored(ctx, tx, ls[2], s.series[i], from, to, pastDays())
			if err != nil {
				return nil, fmt.Errorf("history of %s: %w", name, err)
			}
			points = append(points, rest...)
		}
		if at == 0 {
			points = addWaiting(points, waiting, now, i, from, to)
		}
		if len(points) > 0 {
			break
		}
	}
	middle := func(b core.Bucket) time.Time { return b.FromWall.Add(b.Length / 2) }
	slices.SortStableFunc(points, func(a, b core.Bucket) int { return middle(a).Compare(middle(b)) })
	if maxPoints > 0 && len(points) > 0 {
		length := time.Duration(ls[at].minutes) * time.Minute
		if n := math.Ceil(float64(to.Sub(from)) / float64(length) / float64(maxPoints)); n > 1 || at == 3 {
			points = thin(points, length*time.Duration(n))
		}
	}
	return points, nil
}

// pastDays is the first hour of a span s that none of its days holds.
func pastDays() string {
	return fmt.Sprintf("coalesce((SELECT (max(d.id) %% %[1]d + 1) * 24 FROM days d WHERE d.id BETWEEN s.span * %[1]d AND s.span * %[1]d + %[1]d - 1), 0)", spanStride)
}

// stored reads one series of one level from the file, span by span, each from an index on.
func stored(ctx context.Context, tx *sql.Tx, l level, se series, from, to time.Time, index string) ([]core.Bucket, error) {
	columns := fmt.Sprintf("m.%q, NULL, NULL", se.name)
	if !se.toggle {
		columns = fmt.Sprintf("m.%q, m.%q, m.%q", se.name, se.name+"_below", se.name+"_above")
	}
	lengthMS := l.minutes * 60_000
	// CROSS JOIN keeps the spans outside, so each costs one seek into the rows.
	rows, err := tx.QueryContext(ctx, fmt.Sprintf(`
		SELECT s.offset_ms + (m.id - s.span * %[1]d) * %[2]d, m.ticks, m.short, %[3]s
		FROM spans s CROSS JOIN %[4]s m
		ON m.id BETWEEN s.span * %[1]d + max(%[6]s, (?1 - s.offset_ms) / %[2]d)
		AND s.span * %[1]d + min(%[1]d - 1, (?2 - s.offset_ms) / %[2]d)
		WHERE m.%[5]q IS NOT NULL`, spanStride, lengthMS, columns, l.table, se.name, index),
		from.UnixMilli(), to.UnixMilli())
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var points []core.Bucket
	for rows.Next() {
		var atMS int64
		var ticks int
		var short sql.NullString
		var v [3]*int64
		if err := rows.Scan(&atMS, &ticks, &short, &v[0], &v[1], &v[2]); err != nil {
			return nil, err
		}
		if atMS < from.UnixMilli() || atMS >= to.UnixMilli() {
			continue
		}
		if short.Valid {
			ticks = known(se.name, ticks, short.String)
		}
		if c := se.decode(v[:], ticks); c.n > 0 {
			points = append(points, c.bucket(time.UnixMilli(atMS).UTC(), time.Duration(l.minutes)*time.Minute))
		}
	}
	return points, rows.Err()
}

func (c cell) bucket(from time.Time, length time.Duration) core.Bucket {
	return core.Bucket{FromWall: from, Length: length, Min: c.min, Mean: c.sum / float64(c.n), Max: c.max, N: c.n}
}

// waiting is the minutes that are finished and not yet committed, and the span that dates them.
func (s *Store) waiting() ([]row, span) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.q.rows), s.q.calendar.now
}

// addWaiting adds the minutes that were waiting before the file was read. One that was
// committed meanwhile is not added again.
func addWaiting(points []core.Bucket, waiting []row, now span, i int, from, to time.Time) []core.Bucket {
	var newest time.Time
	for _, p := range points {
		if p.FromWall.After(newest) {
			newest = p.FromWall
		}
	}
	for _, r := range waiting {
		if r.span != now.id || r.cells[i].n == 0 {
			continue
		}
		at := now.at(time.Duration(r.index) * time.Minute)
		if at.Before(from) || !at.Before(to) || !at.After(newest) {
			continue
		}
		points = append(points, r.cells[i].bucket(at, time.Minute))
	}
	return points
}

// thin merges points, in the order of their middles, into buckets of one length, counted from
// the first. A point of another boot may straddle two; it goes where its middle is.
func thin(points []core.Bucket, length time.Duration) []core.Bucket {
	from := points[0].FromWall
	var out []core.Bucket
	var c cell
	at := int64(-1)
	for _, p := range points {
		if k := int64(p.FromWall.Add(p.Length/2).Sub(from) / length); k != at {
			if c.n > 0 {
				out = append(out, c.bucket(from.Add(time.Duration(at)*length), length))
			}
			at, c = k, cell{}
		}
		c.merge(cell{p.N, p.Min, p.Max, p.Mean * float64(p.N)})
	}
	return append(out, c.bucket(from.Add(time.Duration(at)*length), length))
}

// dated is a stored event with what is known of its date by now.
type dated struct {
	body        []byte
	trusted     bool // the clock was right when it was recorded
	upMS        int64
	offsetMS    int64
	spanTrusted bool // the clock has been right since
}

// event returns the event, with its true date if the clock became right after it, and the
// label it was recorded with.
func (d dated) event() (core.Event, time.Time, error) {
	var ev core.Event
	if err := json.Unmarshal(d.body, &ev); err != nil {
		return ev, time.Time{}, err
	}
	recorded := ev.Stamp.Wall
	if wall, is := d.since(); is {
		ev.Stamp.Wall = wall
	}
	return ev, recorded, nil
}

// night returns the row of the ledger in the event of a night, with its true dates likewise.
// It reads the row alone: a thousand of them are asked for at once.
func (d dated) night() (nights.Night, error) {
	var ev struct {
		Wall string `json:"wall"`
		nights.Night
	}
	if err := json.Unmarshal(d.body, &ev); err != nil {
		return ev.Night, err
	}
	if ev.Kind != "night" {
		return ev.Night, fmt.Errorf("event of kind %q", ev.Kind)
	}
	if wall, is := d.since(); is {
		recorded, err := core.ParseWall(ev.Wall)
		if err != nil {
			return ev.Night, err
		}
		return shifted(ev.Night, wall.Sub(recorded)), nil
	}
	return ev.Night, nil
}

// since is the true date of an event that was recorded before its clock became right.
func (d dated) since() (time.Time, bool) {
	return time.UnixMilli(d.offsetMS + d.upMS).UTC(), !d.trusted && d.spanTrusted
}

// Events returns the log of events with numbers below beforeSeq, newest first; 0 begins at
// the newest. An event recorded before the board knew the time has its true date once that
// is known.
func (s *Store) Events(ctx context.Context, beforeSeq uint64, limit int) ([]core.Event, error) {
	before := int64(math.MaxInt64)
	if beforeSeq > 0 && beforeSeq < math.MaxInt64 {
		before = int64(beforeSeq)
	}
	return s.events(ctx, `SELECT e.body, e.trusted, e.up_ms, s.offset_ms, s.trusted
		FROM events e JOIN spans s ON s.span = e.span WHERE e.id < ? ORDER BY e.id DESC LIMIT ?`, before, limit)
}

// EventsIn returns the log of events in [from, to), oldest first, by the dates [Store.Events]
// gives them. A stretch of a day or two is meant: it is sought between the rows of the
// ledger, which are written as the nights end, and of a longer one the end is read.
func (s *Store) EventsIn(ctx context.Context, from, to time.Time) ([]core.Event, error) {
	const most = 2000                          // a busy week has fewer
	stop := from.AddDate(0, 0, -1).UnixMilli() // a right clock does not go back by more
	all, err := s.events(ctx, `WITH walked AS MATERIALIZED (SELECT e.id, s.offset_ms + e.up_ms AS at, s.trusted OR e.trusted AS dated FROM events e JOIN spans s ON s.span = e.span
			WHERE e.id <= coalesce((SELECT min(id) FROM nights WHERE date > ?1), (SELECT max(id) FROM events)) ORDER BY e.id DESC LIMIT ?2)
		SELECT e.body, e.trusted, e.up_ms, s.offset_ms, s.trusted FROM events e JOIN spans s ON s.span = e.span
		WHERE e.id > coalesce((SELECT max(id) FROM walked WHERE dated AND at < ?3), 0) AND e.id IN (SELECT id FROM walked WHERE at < ?4) ORDER BY e.id DESC`,
		to.AddDate(0, 0, 1).UTC().Format(time.DateOnly), most, stop, to.AddDate(0, 0, 1).UnixMilli()) // a day for the time zone
	if err != nil {
		return nil, err
	}
	all = slices.DeleteFunc(all, func(e core.Event) bool { return e.Stamp.Wall.Before(from) || !e.Stamp.Wall.Before(to) })
	slices.Reverse(all)
	return all, nil
}

func (s *Store) events(ctx context.Context, query string, args ...any) ([]core.Event, error) {
	s.files.RLock()
	defer s.files.RUnlock()
	if s.r == nil {
		return nil, errors.New("read events: the store is closed")
	}
	rows, err := s.r.QueryContext(ctx, query, args...)
	if err != nil {
		return nil, fmt.Errorf("read events: %w", err)
	}
	defer rows.Close()
	var all []core.Event
	for rows.Next() {
		var d dated
		if err := rows.Scan(&d.body, &d.trusted, &d.upMS, &d.offsetMS, &d.spanTrusted); err != nil {
			return nil, fmt.Errorf("read events: %w", err)
		}
		ev, _, err := d.event()
		if err != nil { // one that went bad must not hide the others
			s.o.Log.Warn("a stored event cannot be read and is left out", "err", err)
			continue
		}
		all = append(all, ev)
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("read events: %w", err)
	}
	return all, nil
}

// Nights returns the newest rows of the ledger, newest last: of each night the row of the
// newest model, and of those the last recorded. Older versions stay in the file and in the
// log of events; none is ever overwritten. See [Store.NightVersions].
func (s *Store) Nights(ctx context.Context, limit int) ([]nights.Night, error) {
	return s.nights(ctx, newest(), 1, "", limit)
}

// NightsNear returns the row of one night with those of the nights before and after it,
// oldest first; each as [Store.Nights] has it. A night that is not there is left out.
func (s *Store) NightsNear(ctx context.Context, date string) ([]nights.Night, error) {
	return s.nights(ctx, neighbours(), 1, date, 0)
}

// NightVersions returns every row that was ever recorded of the same nights, by night and the
// one that [Store.Nights] shows first.
func (s *Store) NightVersions(ctx context.Context, limit int) ([]nights.Night, error) {
	return s.nights(ctx, newest(), math.MaxInt32, "", limit)
}

// asking is which nights are asked for: which of the first of each, and among which dates
// they are found, so that a long ledger is not read for a short answer. ?2 is how many,
// ?3 a date.
type asking struct{ which, among string }

func newest() asking {
	return asking{`SELECT date, alone FROM placed WHERE place = 1 ORDER BY date DESC, alone DESC LIMIT ?2`,
		`date >= (SELECT min(date) FROM (SELECT DISTINCT date FROM nights ORDER BY date DESC LIMIT ?2))`}
}

func neighbours() asking {
	return asking{`SELECT * FROM (SELECT date, alone FROM placed WHERE place = 1 AND date <= ?3 ORDER BY date DESC, alone DESC LIMIT 2)
		UNION ALL SELECT * FROM (SELECT date, alone FROM placed WHERE place = 1 AND date > ?3 ORDER BY date, alone LIMIT 1)`,
		`date IN (SELECT DISTINCT date FROM nights WHERE date <= ?3 ORDER BY date DESC LIMIT 2)
		OR date = (SELECT min(date) FROM nights WHERE date > ?3)`}
}

// nights ranks the rows of each night. A night whose clock nobody vouched for has a label and
// no date: two of them may share it, so neither stands for the other. The ranks need
// only the small table of nights; what the rows say is read for those that are asked for.
func (s *Store) nights(ctx context.Context, ask asking, deepest int, date string, limit int) ([]nights.Night, error) {
	s.files.RLock()
	defer s.files.RUnlock()
	if s.r == nil {
		return nil, errors.New("read nights: the store is closed")
	}
	rows, err := s.r.QueryContext(ctx, `
		WITH candidates AS MATERIALIZED (SELECT date, id, version, undated FROM nights WHERE `+ask.among+`),
		ranked AS (SELECT date, id, CASE WHEN undated THEN id ELSE 0 END AS alone, version FROM candidates),
		placed AS (SELECT date, id, alone, row_number() OVER (PARTITION BY date, alone ORDER BY version DESC, id DESC) AS place FROM ranked),
		asked AS (`+ask.which+`)
		SELECT e.body, e.trusted, e.up_ms, s.offset_ms, s.trusted
		FROM asked a JOIN placed p ON p.date = a.date AND p.alone = a.alone
		CROSS JOIN events e ON e.id = p.id JOIN spans s ON s.span = e.span
		WHERE p.place <= ?1 ORDER BY p.date, p.alone, p.place`, deepest, limit, date)
	if err != nil {
		return nil, fmt.Errorf("read nights: %w", err)
	}
	defer rows.Close()
	var all []nights.Night
	for rows.Next() {
		var d dated
		if err := rows.Scan(&d.body, &d.trusted, &d.upMS, &d.offsetMS, &d.spanTrusted); err != nil {
			return nil, fmt.Errorf("read nights: %w", err)
		}
		n, err := d.night()
		if err != nil { // one that went bad must not hide the others
			s.o.Log.Warn("a stored night cannot be read and is left out", "err", err)
			continue
		}
		all = append(all, n)
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("read nights: %w", err)
	}
	// What was dated again goes where it belongs.
	slices.SortStableFunc(all, func(a, b nights.Night) int { return cmp.Compare(a.Date, b.Date) })
	return all, nil
}

// shifted is a night whose true time became known when it had ended already, by as much as
// its clock was off. Its window is then no evening and morning of the calendar; it keeps its
// mark, and its date is that of its true beginning by UTC.
func shifted(n nights.Night, by time.Duration) nights.Night {
	from, err1 := time.Parse(time.RFC3339, n.FromWall)
	to, err2 := time.Parse(time.RFC3339, n.ToWall)
	if by == 0 || !n.ClockUntrusted || err1 != nil || err2 != nil {
		return n
	}
	from, to = from.Add(by), to.Add(by)
	n.Date, n.FromWall, n.ToWall = from.Format(time.DateOnly), from.Format(time.RFC3339), to.Format(time.RFC3339)
	return n
}

// Totals returns the totals as of the newest commit, at most ten minutes behind. They never
// fall.
func (s *Store) Totals(ctx context.Context) (core.Totals, error) {
	s.files.RLock()
	defer s.files.RUnlock()
	if s.r == nil {
		return core.Totals{}, errors.New("read totals: the store is closed")
	}
	var body []byte
	switch err := s.r.QueryRowContext(ctx, "SELECT body FROM state WHERE id = ?", stateMark).Scan(&body); err {
	case nil:
	case sql.ErrNoRows:
		return core.Totals{}, nil
	default:
		return core.Totals{}, fmt.Errorf("read totals: %w", err)
	}
	var m markBody
	if err := json.Unmarshal(body, &m); err != nil {
		return core.Totals{}, fmt.Errorf("read totals: %w", err)
	}
	return m.Totals, nil
}
