package announce

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

// erasePasses bounds how often the broker is asked what it still keeps.
const erasePasses = 3

// Erase deletes every topic that the broker keeps of this device, whoever of its versions
// wrote it, and returns how many there were. [MQTT.Run] must have ended: a broker knows a
// device by its id and would cut one of the two off. Alarm events are not kept by a broker,
// so there is nothing of them to delete; what other systems stored of them is theirs.
func (m *MQTT) Erase(ctx context.Context) (int, error) {
	c, err := m.connect(ctx, true)
	if err != nil {
		return 0, err
	}
	defer c.cut()
	var gone int
	for range erasePasses {
		kept, err := m.kept(ctx, c)
		if err != nil {
			return gone, err
		}
		if len(kept) == 0 {
			c.client.Disconnect(uint(m.times.goodbye.Milliseconds())) // in order, so that no will comes back
			return gone, nil
		}
		for _, topic := range kept {
			if err := c.wait(c.publish(topic, true, nil)); err != nil {
				return gone, fmt.Errorf("delete %s: %w", topic, err)
			}
			gone++
		}
	}
	return gone, errors.New("the broker still keeps topics of this device: does something else write them?")
}

// kept lists the topics that the broker keeps of this device, $state first: a device without
// one does not exist (Homie 5). What the broker kept it sends before a message that is
// published after the subscription was acknowledged.
func (m *MQTT) kept(ctx context.Context, c *connection) ([]string, error) {
	filter, end := m.device.topic("#"), m.device.topic("$erase")
	var mu sync.Mutex // guards found, which the client's goroutine fills
	var found []string
	done := make(chan struct{}, 1)
	t := c.client.Subscribe(filter, qos, func(_ mqtt.Client, msg mqtt.Message) {
		mu.Lock()
		defer mu.Unlock()
		switch {
		case msg.Topic() == end:
			select {
			case done <- struct{}{}:
			default:
			}
		case msg.Retained() && len(msg.Payload()) > 0:
			found = append(found, msg.Topic())
		}
	})
	if err := c.wait(t); err != nil {
		return nil, fmt.Errorf("subscribe %s: %w", filter, err)
	}
	if st, ok := t.(*mqtt.SubscribeToken); ok && st.Result()[filter] == 0x80 {
		return nil, errors.New("the broker does not let this device read below its own id, so what it keeps there is not known")
	}
	if err := c.wait(c.publish(end, false, []byte("end"))); err != nil {
		return nil, fmt.Errorf("publish %s: %w", end, err)
	}
	late := time.NewTimer(m.times.ack)
	defer late.Stop()
	select {
	case <-done:
	case err := <-c.lost:
		return nil, fmt.Errorf("connection lost: %w", err)
	case <-late.C:
		return nil, fmt.Errorf("the broker did not tell within %v what it keeps", m.times.ack)
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	if err := c.wait(c.client.Unsubscribe(filter)); err != nil {
		return nil, fmt.Errorf("unsubscribe %s: %w", filter, err)
	}
	mu.Lock()
	defer mu.Unlock()
	slices.SortStableFunc(found, func(a, b string) int { return stateFirst(a) - stateFirst(b) })
	return found, nil
}

func stateFirst(topic string) int {
	if strings.HasSuffix(topic, "/$state") {
		return 0
	}
	return 1
}
