package announce

import (
	"net"
	"sync/atomic"
	"testing"

	"github.com/eclipse/paho.mqtt.golang/packets"
)

// mute is a broker that takes everything and, while it is mute, acknowledges no alarm.
type mute struct {
	addr  string
	from  *ledger
	mute  atomic.Bool
	acked atomic.Int64 // alarms acknowledged
}

func openMute(t *testing.T) *mute {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	f := &mute{addr: l.Addr().String(), from: newLedger()}
	f.mute.Store(true)
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go f.serve(c)
		}
	}()
	t.Cleanup(func() { l.Close() })
	return f
}

func (f *mute) serve(c net.Conn) {
	defer c.Close()
	for {
		p, err := packets.ReadPacket(c)
		if err != nil {
			return
		}
		var answer packets.ControlPacket
		switch p := p.(type) {
		case *packets.ConnectPacket:
			answer = packets.NewControlPacket(packets.Connack)
		case *packets.SubscribePacket:
			a := packets.NewControlPacket(packets.Suback).(*packets.SubackPacket)
			a.MessageID, a.ReturnCodes = p.MessageID, p.Qoss
			answer = a
		case *packets.PublishPacket:
			f.from.add(heard{p.TopicName, string(p.Payload), p.Retain, p.Qos})
			if p.TopicName == eventsTopic {
				if f.mute.Load() {
					continue
				}
				f.acked.Add(1)
			}
			a := packets.NewControlPacket(packets.Puback).(*packets.PubackPacket)
			a.MessageID = p.MessageID
			answer = a
		case *packets.PingreqPacket:
			answer = packets.NewControlPacket(packets.Pingresp)
		case *packets.DisconnectPacket:
			return
		}
		if answer != nil && answer.Write(c) != nil {
			return
		}
	}
}
