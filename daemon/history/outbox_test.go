package history

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"frostline/daemon/core"
	"frostline/daemon/estimate"
	"frostline/sensors"
)

// ids lists the alarms of outbox rows.
func ids(t *testing.T, rows []core.OutboxRow) []string {
	t.Helper()
	var all []string
	for _, r := range rows {
		var ev core.Event
		if err := ev.UnmarshalJSON(r.Body); err != nil {
			t.Fatal(err)
		}
		all = append(all, ev.Alarm.ID)
	}
	return all
}

func TestMessagesLeaveInOrderAndOnce(t *testing.T) {
	dir := t.TempDir()
	s, v := openIn(t, dir, Options{Paths: []string{"mqtt", "webhook"}}), newVan()
	commit(t, s, v, alarm("a", "low", "unacknowledged"), happening(estimate.BurnerOn), alarm("b", "critical", "unacknowledged"))
	select {
	case <-s.Wake("mqtt"):
	default:
		t.Error("the sender was not woken by the commit")
	}
	commit(t, s, v, alarm("c", "high", "unacknowledged"))
	rows, err := s.Next(deadline(t), "mqtt", 2)
	if err != nil || strings.Join(ids(t, rows), " ") != "a b" {
		t.Fatalf("first two = %v, %v, want a b", ids(t, rows), err)
	}
	if rows[0].Boot != "boot-1" || rows[1].Seq != 3 || !rows[0].ClockTrusted || !rows[0].Recorded.Equal(dusk().Add(time.Second)) {
		t.Errorf("rows = %+v, want boot-1, number 3, a trusted clock and the label of the tick", rows)
	}
	for _, r := range rows {
		if err := s.Delivered(deadline(t), "mqtt", r.ID); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Delivered(deadline(t), "mqtt", 99); err == nil {
		t.Error("a message that was never given out was taken as delivered")
	}
	rows, err = s.Next(deadline(t), "mqtt", 10)
	if err != nil || strings.Join(ids(t, rows), " ") != "c" {
		t.Errorf("after two were delivered: %v, %v, want c at once, whether committed or not", ids(t, rows), err)
	}
	if n := health(s)[sensors.OutboxN].Value; n != 4 {
		t.Errorf("outbox_n = %g, want 4: one for mqtt, three for webhook", n)
	}
	closeStore(t, s)

	s = openIn(t, dir, Options{Paths: []string{"mqtt", "webhook"}})
	defer closeStore(t, s)
	for path, want := range map[string]string{"mqtt": "c", "webhook": "a b c"} {
		select {
		case <-s.Wake(path):
		default:
			t.Errorf("%s was not woken for what the last run left", path)
		}
		if rows, err := s.Next(deadline(t), path, 10); err != nil || strings.Join(ids(t, rows), " ") != want {
			t.Errorf("%s after a restart: %v, %v, want %s", path, ids(t, rows), err, want)
		}
	}
}

func TestAFullOutboxFoldsTheLeastSevereAndNeverACriticalOne(t *testing.T) {
	s, v := openIn(t, t.TempDir(), Options{Paths: []string{"mqtt"}}), newVan()
	defer closeStore(t, s)
	// 300 criticals, 500 warnings, 400 infos: 200 too many.
	for i := range 1200 {
		p := "critical"
		if i >= 300 {
			p = "medium"
		}
		if i >= 800 {
			p = "low"
		}
		s.Deliver(v.snapshot(time.Second, alarm(fmt.Sprintf("%s-%d", p, i), p, "unacknowledged")))
	}
	if err := s.Committed(deadline(t), v.tick); err != nil {
		t.Fatal(err)
	}
	rows, err := s.Next(deadline(t), "mqtt", 2000)
	if err != nil {
		t.Fatal(err)
	}
	names := ids(t, rows)
	if len(names) != outboxMax {
		t.Errorf("%d rows, want %d", len(names), outboxMax)
	}
	count := func(prefix string) (n int) {
		for _, name := range names {
			if strings.HasPrefix(name, prefix) {
				n++
			}
		}
		return n
	}
	if c, m, l := count("critical"), count("medium"), count("low"); c != 300 || m != 500 || l != 199 {
		t.Errorf("critical %d, medium %d, low %d; want 300, 500, 199 and one folded", c, m, l)
	}
	at := slices.Index(names, "alarms-dropped")
	var ev core.Event
	if at < 0 || ev.UnmarshalJSON(rows[at].Body) != nil || !strings.HasPrefix(ev.Alarm.Why, "201 alarm messages") {
		t.Fatalf("folded row = %+v, want 201 alarm messages", ev.Alarm)
	}
	if !slices.IsSortedFunc(rows, func(a, b core.OutboxRow) int { return int(a.ID - b.ID) }) {
		t.Error("rows are out of order")
	}
	if lost := health(s)[sensors.OutboxLost].Value; lost != 201 {
		t.Errorf("outbox_lost_n = %g, want 201", lost)
	}

	// The folded row was given out as 201; while it travels more are folded into it.
	s.Deliver(v.snapshot(time.Second, alarm("late", "low", "unacknowledged")))
	if err := s.Committed(deadline(t), v.tick); err != nil {
		t.Fatal(err)
	}
	if err := s.Delivered(deadline(t), "mqtt", rows[at].ID); err != nil {
		t.Fatal(err)
	}
	commit(t, s, v, happening(estimate.BurnerOn))
	rows, err = s.Next(deadline(t), "mqtt", 2000)
	if err != nil {
		t.Fatal(err)
	}
	if at = slices.Index(ids(t, rows), "alarms-dropped"); at < 0 || ev.UnmarshalJSON(rows[at].Body) != nil || !strings.HasPrefix(ev.Alarm.Why, "202 ") {
		t.Errorf("the news of 202 dropped alarms was lost with the delivery of the news of 201")
	}
}

func TestAMessageThatWentBadHoldsUpNoOther(t *testing.T) {
	s, v := openIn(t, t.TempDir(), Options{Paths: []string{"mqtt"}}), newVan()
	defer closeStore(t, s)
	commit(t, s, v, alarm("a", "high", "unacknowledged"), alarm("b", "high", "unacknowledged"))
	if _, err := s.w.Exec("UPDATE events SET body = 'no json' WHERE id = 1"); err != nil {
		t.Fatal(err)
	}
	rows, err := s.Next(deadline(t), "mqtt", 5)
	if err != nil || len(rows) != 2 || string(rows[0].Body) != "no json" || ids(t, rows[1:])[0] != "b" {
		t.Errorf("outbox = %+v, %v, want the bad row as it is and b behind it", rows, err)
	}
	if evs, err := s.Events(deadline(t), 0, 5); err != nil || len(evs) != 1 || evs[0].Seq != 2 {
		t.Errorf("events = %+v, %v, want the one that can be read", evs, err)
	}
}

func TestAnOutboxFullOfCriticalAlarmsGrows(t *testing.T) {
	s, v := openIn(t, t.TempDir(), Options{Paths: []string{"mqtt"}}), newVan()
	defer closeStore(t, s)
	for range outboxMax + 50 {
		s.Deliver(v.snapshot(time.Second, alarm("gas", "critical", "unacknowledged")))
	}
	commit(t, s, v, alarm("storage", "low", "unacknowledged"))
	rows, err := s.Next(deadline(t), "mqtt", 5000)
	names := ids(t, rows)
	if err != nil || len(names) != outboxMax+51 || names[len(names)-1] != "alarms-dropped" {
		t.Errorf("%d rows, %v, the last %v; want all %d critical ones and the fold of the low one", len(names), err, names[len(names)-1:], outboxMax+50)
	}
}

func TestAfterNinetyDaysOnlyCriticalIsStillNews(t *testing.T) {
	s, v := openIn(t, t.TempDir(), Options{Paths: []string{"mqtt"}}), newVan()
	defer closeStore(t, s)
	commit(t, s, v, alarm("battery", "medium", "unacknowledged"), alarm("leave", "critical", "unacknowledged"), alarm("storage", "low", "unacknowledged"))
	v.up += 91 * 24 * time.Hour
	commit(t, s, v, alarm("new", "low", "unacknowledged"))
	rows, err := s.Next(deadline(t), "mqtt", 10)
	if err != nil || strings.Join(ids(t, rows), " ") != "alarms-dropped leave new" {
		t.Errorf("outbox = %v, %v, want alarms-dropped leave new", ids(t, rows), err)
	}
}

func TestAStuckDiskNeverBlocksATick(t *testing.T) {
	s, err := open(t.TempDir()+"/history.db", Options{Wiring: wiring(), Paths: []string{"mqtt"}})
	if err != nil {
		t.Fatal(err)
	}
	stuck, release := make(chan struct{}, 1), make(chan struct{})
	s.commit = func(b *batch) outcome {
		select {
		case stuck <- struct{}{}:
		default:
		}
		<-release
		return s.commitBatch(b)
	}
	go s.writeLoop()
	v := newVan()
	s.Deliver(v.snapshot(time.Second, alarm("gas-floor-high", "critical", "unacknowledged")))
	<-stuck
	first := v.tick
	// Every Deliver below would hang this test if it waited for the disk.
	for range 1000 {
		s.Deliver(v.snapshot(time.Minute, happening(estimate.BurnerOn)))
	}
	s.mu.Lock()
	s.q.inFlight.since = s.q.inFlight.since.Add(-90 * time.Second)
	rows, dropped := len(s.q.rows), s.q.droppedRows
	s.mu.Unlock()
	if rows != maxRows || dropped != 1000-maxRows {
		t.Errorf("%d minutes kept and %d dropped, want %d and %d", rows, dropped, maxRows, 1000-maxRows)
	}
	if age := health(s)[sensors.StoreAgeS]; age.Quality != sensors.Good || age.Value < 90 {
		t.Errorf("store_age_s = %+v, want at least the 90 s the alarm has waited", age)
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if err := s.Committed(ctx, first); err == nil {
		t.Error("an alarm was called committed while the disk was stuck")
	}
	close(release)
	commit(t, s, v)
	evs, err := s.Events(deadline(t), 0, 2000)
	if err != nil || len(evs) != 1001 {
		t.Errorf("%d events on the disk, %v, want all 1001", len(evs), err)
	}
	if age := health(s)[sensors.StoreAgeS]; age.Value != 0 || age.Quality != sensors.Good {
		t.Errorf("store_age_s = %+v, want 0 when nothing waits", age)
	}
	closeStore(t, s)
}

func TestAStoreThatRefusesSaysSoAndKeepsTheEvents(t *testing.T) {
	s, err := open(t.TempDir()+"/history.db", Options{Wiring: wiring()})
	if err != nil {
		t.Fatal(err)
	}
	broken := true
	s.commit = func(b *batch) outcome {
		if broken {
			return outcome{err: errors.New("input/output error")}
		}
		return s.commitBatch(b)
	}
	v := newVan()
	s.Deliver(v.snapshot(time.Second, alarm("leave", "critical", "unacknowledged")))
	if s.writeOnce(false) {
		t.Error("a failed commit asks for no other try")
	}
	if err := s.Committed(deadline(t), v.tick); err == nil || !strings.Contains(err.Error(), "input/output error") {
		t.Errorf("Committed = %v, want the disk's error", err)
	}
	if age := health(s)[sensors.StoreAgeS]; age != sensors.Fault("io") {
		t.Errorf("store_age_s = %+v, want bad, io", age)
	}
	broken = false
	if !s.writeOnce(false) {
		t.Error("the next try failed too")
	}
	if err := s.Committed(deadline(t), v.tick); err != nil {
		t.Errorf("Committed = %v, want none once the disk answers", err)
	}
	if evs, err := s.Events(deadline(t), 0, 5); err != nil || len(evs) != 1 {
		t.Errorf("events = %v, %v, want the one that had to wait", evs, err)
	}
	go s.writeLoop()
	closeStore(t, s)
	if err := s.Committed(deadline(t), v.tick+1); err == nil {
		t.Error("a closed store promises to keep a tick")
	}
}

func TestMemoryOfAStuckStoreIsBoundedAndCriticalAlarmsStay(t *testing.T) {
	q := queue{}
	for i := range 3 * maxEvents {
		ev := happening(estimate.BurnerOn)
		switch {
		case i%3 == 1:
			ev = alarm("info", "low", "unacknowledged")
		case i%10 == 0:
			ev = alarm("leave", "critical", "unacknowledged")
		}
		q.events = append(q.events, happened{ev: ev})
		q.boundEvents()
	}
	critical := 0
	for _, h := range q.events {
		if severityOf(h.ev) == severityCritical {
			critical++
		}
	}
	want := 0
	for i := range 3 * maxEvents {
		if i%3 != 1 && i%10 == 0 {
			want++
		}
	}
	if len(q.events) != maxEvents || critical != want {
		t.Errorf("%d events, %d critical; want %d and all %d", len(q.events), critical, maxEvents, want)
	}
	if q.outboxLost == 0 {
		t.Error("alarms were dropped and none was counted")
	}
}

func TestADailyWordWaitsOnlyForThePathThatAskedForIt(t *testing.T) {
	s, v := openIn(t, t.TempDir(), Options{Paths: []string{"mqtt", "webhook", "mail"}, Daily: map[string]string{"webhook": "08:00", "mail": "21:30"}}), newVan()
	commit(t, s, v, core.Event{Daily: &core.Daily{Kind: "still-watching", At: "08:00"}})
	for path, want := range map[string]int{"mqtt": 0, "webhook": 1, "mail": 0} {
		rows, err := s.Next(deadline(t), path, 10)
		if err != nil || len(rows) != want {
			t.Errorf("%s has %d messages, %v; want %d", path, len(rows), err, want)
		}
		for _, r := range rows {
			var ev core.Event
			if err := ev.UnmarshalJSON(r.Body); err != nil || ev.Daily == nil || ev.Daily.At != "08:00" {
				t.Errorf("%s: %s, %v", path, r.Body, err)
			}
		}
	}
	select {
	case <-s.Wake("webhook"):
	default:
		t.Error("the webhook was not woken")
	}
}
