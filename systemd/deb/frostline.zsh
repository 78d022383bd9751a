#compdef frostline
# Completion of frostline for zsh, made from its commands.

_frostline() {
	if ((CURRENT == 2)); then
		local -a commands=(
			'run:the daemon, on real sensors'
			'demo:a van that does not exist, with page, metrics and broker; nothing to install'
			'replay:judge recordings again, as if lived'
			'record:raw readings to a recording'
			'check:configuration and sensors\: what was found, what is wrong, what to do'
			'nights:the ledger of nights as a table, CSV or pictures, and what a season cost'
			'plan:how long a cylinder lasts\: hours, pressure, supply ratio and ice, before you go'
			'version:what this binary is'
		)
		_describe command commands
		return
	fi
	case $words[2] in
	run) _arguments \
		'--config[configuration file]:file:_files' \
		'--state[state directory, instead of the configuration'\''s]:directory:_directories' \
		'--sysfs[root of sysfs]:root:' \
		'*:file:_files' ;;
	demo) _arguments \
		'--broker[address of the demo'\''s own MQTT broker]:address:' \
		'--events[write events as JSON lines to this file, - for standard output]:file:_files' \
		'--fast[as fast as it goes, without page and broker]' \
		'--listen[address of the page and metrics]:address:' \
		'--print-config[print the demo van'\''s configuration and end]' \
		'--record[write the raw readings to this file, .gz for gzip]:file:_files' \
		'--scenario[name of the scenario\: battery-runs-down, boots-in-the-past, burner-left-open, cold-front, cylinder-too-cold, day-on-the-road, dead-baro, dead-battery-sense, dead-gas, dead-heat-call, dead-humidity, dead-scale, dead-thermometer, empty-at-three, excess-flow-shuts, exchange-underfilled, fortnight, gas-sensor-cold-start, heater-locks-out, leak, quiet-night, regulator-fails, regulator-ices, slow-loss-20, valve-left-shut]:name:' \
		'--seed[number that fixes noise and weather; 0 takes the scenario'\''s]:number:' \
		'--speed[times faster than life]:times:' \
		'--state[keep store and ledger in this directory; without it nothing outlives the demo]:directory:_directories' \
		'*:file:_files' ;;
	replay) _arguments \
		'--config[configuration file of the van]:file:_files' \
		'--estimates[write estimates as CSV to this file, - for standard output]:file:_files' \
		'--events[write events as JSON lines to this file, - for standard output]:file:_files' \
		'--every[seconds of recording time between two rows of estimates]:seconds:' \
		'--rejudge[judge with another configuration than the recording was made with]' \
		'*:file:_files' ;;
	record) _arguments \
		'--config[configuration file]:file:_files' \
		'--for[time to record; 0 until Ctrl-C]:time:' \
		'--out[recording file, .gz for gzip]:file:_files' \
		'--sysfs[root of sysfs]:root:' \
		'--what[text for the header\: what is recorded]:text:' \
		'--where[text for the header\: where]:text:' \
		'*:file:_files' ;;
	check) _arguments \
		'--config[configuration file]:file:_files' \
		'--json[as JSON]' \
		'--reference[print the complete, commented configuration and end]' \
		'--sysfs[root of sysfs]:root:' \
		'*:file:_files' ;;
	nights) _arguments \
		'--config[configuration file]:file:_files' \
		'--csv[as CSV (RFC 4180), units in the header]' \
		'--last[number of nights, the latest ones]:number:' \
		'--season[what the nights cost together\: total, per night, per degree-hour, heat loss, forecasts]' \
		'--state[state directory, instead of the configuration'\''s]:directory:_directories' \
		'--svg[a picture as SVG\: strip, the nights in a row, or cost, fuel against cold with the fitted band]:picture:' \
		'--versions[every version of each night, the newest model'\''s first; not while frostline runs]' \
		'*:file:_files' ;;
	plan) _arguments \
		'--air[temperature about the cylinder]:temperature:' \
		'--air-high[and the highest temperature, at 15\:00]:temperature:' \
		'--air-low[instead, the lowest temperature of the day, at 06\:00]:temperature:' \
		'--altitude[height above the sea; an orifice that was not changed passes less up there]:height:' \
		'--appliance[what draws, once for each\: "NAME, INPUT, DUTY, night"; input in kW or BTU/h with net or gross, or in g/h;
                         duty is the share of the time that it is on (default 100 %); night\: in the night alone]:what:' \
		'--blend[fuel\: propane, butane, unknown, or propane in n-butane as "60 % by mass", mole or volume (US trade percent)]:fuel:' \
		'--conductance[heat that the cylinder takes from the air, if measured, as "2.9 W/K"]:heat:' \
		'--cylinder[common size, listed below, or the fill by the stamp, "9.1 kg"]:size:' \
		'--diameter[outside diameter, where the size is none of these]:diameter:' \
		'--fill[fuel in it now, as a mass or in % of the fill by the stamp]:fuel:' \
		'--horizon[time to look ahead]:time:' \
		'--json[as JSON, metric; every key ends in its unit]' \
		'--least-inlet[gauge pressure that the regulator needs, by its data sheet]:pressure:' \
		'--night[hours of a night; the plan begins with one]:hours:' \
		'--stages[number of stages of the regulator, 1 or 2]:number:' \
		'--start-liquid[degrees of the liquid at the start (default the air'\''s)]:degrees:' \
		'--svg[write a picture to this file\: liquid, pressure and fuel on one time axis]:file:_files' \
		'--units[system of the table and picture\: metric, or us (lb, °F, psi)]:system:' \
		'--water-capacity[water capacity (WC) on the collar, where the size is none of these]:WC:' \
		'*:file:_files' ;;
	version) _arguments \
		'*:file:_files' ;;
	esac
}

_frostline "$@"
