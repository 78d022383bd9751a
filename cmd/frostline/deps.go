package main

import (
	_ "github.com/coreos/go-systemd/v22/daemon"
	_ "github.com/eclipse/paho.mqtt.golang"
	_ "github.com/google/uuid"
	_ "github.com/mochi-mqtt/server/v2"
	_ "github.com/mochi-mqtt/server/v2/hooks/auth"
	_ "github.com/mochi-mqtt/server/v2/listeners"
	_ "github.com/pelletier/go-toml/v2"
	_ "github.com/prometheus/client_golang/prometheus/promhttp"
	_ "github.com/prometheus/client_golang/prometheus/testutil"
	_ "github.com/prometheus/common/expfmt"
	_ "github.com/rogpeppe/go-internal/testscript"
	_ "gonum.org/v1/gonum/stat/distuv"
	_ "modernc.org/sqlite"
	_ "periph.io/x/conn/v3/gpio"
	_ "periph.io/x/conn/v3/i2c"
	_ "periph.io/x/host/v3"
	_ "pgregory.net/rapid"
)

func main() {}
