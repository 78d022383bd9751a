package announce

import (
	"context"
	"errors"
	"time"

	"frostline/daemon/core"
)

// The ways out of the process, by their places in the store's queue.
const (
	mqttPath    = "mqtt"
	webhookPath = "webhook"
	mailPath    = "mail"
)

// batchN is how many rows MQTT reads at a time: what the outbox may cost in memory.
const batchN = 16

// storeWait bounds a question to the store that no alarm waits for.
const storeWait = 2 * time.Second

var (
	errNoStore     = errors.New("outbox: no store is configured")
	errStoreSilent = errors.New("outbox: the store does not answer")
)

// store asks the outbox without ever being held by it: a call into a disk that hangs
// cannot be taken back, so each runs in a goroutine of its own, one at a time, and is left
// behind when its time is up.
type store struct {
	path   string
	outbox Outbox        // nil: there is none
	turn   chan struct{} // holds a token while a call is out
}

func newStore(path string, o Outbox) *store { return &store{path, o, make(chan struct{}, 1)} }

// ask runs f until the deadline. After an error f may still be running: what it writes to
// must not be read then.
func (s *store) ask(ctx context.Context, by time.Time, f func(context.Context) error) error {
	if s.outbox == nil {
		return errNoStore
	}
	ctx, cancel := context.WithDeadline(ctx, by)
	defer cancel()
	select {
	case s.turn <- struct{}{}:
	case <-ctx.Done():
		return errStoreSilent
	}
	answer := make(chan error, 1)
	go func() {
		defer func() { <-s.turn }()
		answer <- f(ctx)
	}()
	select {
	case err := <-answer:
		return err
	case <-ctx.Done():
		return errStoreSilent
	}
}

func (s *store) committed(ctx context.Context, tick uint64, by time.Time) error {
	return s.ask(ctx, by, func(ctx context.Context) error { return s.outbox.Committed(ctx, tick) })
}

func (s *store) next(ctx context.Context, most int) ([]core.OutboxRow, error) {
	if s.outbox == nil {
		return nil, nil
	}
	rows := make(chan []core.OutboxRow, 1)
	err := s.ask(ctx, time.Now().Add(storeWait), func(ctx context.Context) error {
		got, err := s.outbox.Next(ctx, s.path, most)
		rows <- got
		return err
	})
	if err != nil {
		return nil, err
	}
	return <-rows, nil
}

func (s *store) delivered(ctx context.Context, id int64) error {
	return s.ask(ctx, time.Now().Add(storeWait), func(ctx context.Context) error {
		return s.outbox.Delivered(ctx, s.path, id)
	})
}

func (s *store) wake() <-chan struct{} {
	if s.outbox == nil {
		return nil
	}
	return s.outbox.Wake(s.path)
}
