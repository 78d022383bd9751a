package announce

import (
	"context"
	"fmt"
	"strings"
	"testing"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// TestErasingLeavesNothingOfTheDeviceOnTheBroker holds it against the real broker: what this
// version wrote, what an older one left, and nothing of another device.
func TestErasingLeavesNothingOfTheDeviceOnTheBroker(t *testing.T) {
	broker := newMosquitto(t, ownAddress(t), "allow_anonymous true")
	other := paho.NewClient(paho.NewClientOptions().AddBroker("tcp://" + broker.addr).SetClientID("before").SetConnectTimeout(hangLimit))
	if token := other.Connect(); !token.WaitTimeout(hangLimit) || token.Error() != nil {
		t.Fatal(token.Error())
	}
	defer other.Disconnect(100)
	leave := func(topic, payload string) {
		t.Helper()
		if token := other.Publish(topic, 1, true, payload); !token.WaitTimeout(hangLimit) || token.Error() != nil {
			t.Fatal(token.Error())
		}
	}
	leave("homie/5/"+deviceID+"/$alert/of-an-old-version", "Something")
	for i := range 300 {
		leave(fmt.Sprintf("homie/5/%s/old/p%d", deviceID, i), "1")
	}
	leave("homie/5/another-van/$state", "ready")
	a := announce(t, Options{Broker: broker.addr}, vanAt(1))
	a.connected(t, 1)
	a.stop()
	ctx, cancel := context.WithTimeout(t.Context(), hangLimit)
	defer cancel()
	n, err := a.Erase(ctx)
	if err != nil || n < 330 {
		t.Fatalf("erased %d topics, %v; want the 300 old ones and all of ours", n, err)
	}
	w := watch(t, broker.addr)
	leave("end", "end") // comes after all that is kept
	heard := w.until(t, 0, "the end", saw("end", "end"))
	for _, h := range heard {
		if strings.Contains(h.topic, deviceID) {
			t.Errorf("the broker still keeps %s = %q", h.topic, h.payload)
		}
	}
	if !saw("homie/5/another-van/$state", "ready")(heard) {
		t.Error("another device's topic is gone")
	}
	if n, err := a.Erase(ctx); err != nil || n != 0 {
		t.Errorf("erased again: %d, %v; want nothing left", n, err)
	}
}

func TestErasingSaysThatTheBrokerIsAway(t *testing.T) {
	m, err := NewMQTT(Options{Broker: "mqtt://" + ownAddress(t), DeviceID: deviceID})
	if err != nil {
		t.Fatal(err)
	}
	if n, err := m.Erase(t.Context()); err == nil || n != 0 {
		t.Errorf("%d topics, %v; want an error", n, err)
	}
}
