#compdef frostline
# Completion of frostline for zsh, made from its commands.

_frostline() {
	if ((CURRENT == 2)); then
		local -a commands=(
			'run:the daemon, on real sensors'
			'demo:a van that does not exist, with page, metrics and broker; nothing to install'
			'replay:judge recordings again, as if lived'
			'record:raw readings to a recording'
			'calibrate:the scale or the gas sensor, step by step, through the running daemon'
			'drill:hear each sound of an alarm once, and say whether you did'
			'check:configuration and sensors\: what was found, what is wrong, what to do'
			'nights:the ledger of nights as a table, CSV or pictures, and what a season cost'
			'plan:how long a cylinder lasts\: hours, pressure, supply ratio and ice, before you go'
			'pair:one-time link, QR code and short code for a phone; list phones and revoke them'
			'backup:one file with state and ledger'
			'restore:put a backup in place; what was there is kept aside'
			'erase:forget everything, between renters or before a sale, the broker'\''s topics too'
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
	calibrate) _arguments \
		'--clean-air[gas\: the van was aired and the sensor is warm]' \
		'--config[configuration file]:file:_files' \
		'--container[scale\: mass of the container of the water]:mass:' \
		'--end[scale\: the cylinder is back; gas\: done]' \
		'--kind[scale\: how the weight is known\: shop (weighed) or stated (cast or printed on it)]:string:' \
		'--list[the calibrations that are kept]' \
		'--mix[gas\: this share of gas by volume flows over the sensor now]:share:' \
		'--mix-gas[gas\: propane or butane, by the label of the mix]:string:' \
		'--record[write the record of the calibration to a file, to print and keep]:file:_files' \
		'--state[state directory, instead of the configuration'\''s]:directory:_directories' \
		'--undo[go back to the calibration before]' \
		'--water[scale\: this volume of water stands on the empty cradle now]:volume:' \
		'--water-temp[scale\: temperature of the water]:temperature:' \
		'--weight[scale\: this mass stands on the empty cradle now]:mass:' \
		'--within[scale\: mass by which the weight may be off, one standard deviation; else by its kind]:mass:' \
		'--zero[scale\: the cradle is empty now, hose and regulator hang as always]' \
		'*:file:_files' ;;
	drill) _arguments \
		'--config[configuration file]:file:_files' \
		'--heard[only note whether the sounder was heard where you sleep\: yes or no]:string:' \
		'--sound[only this sound\: critical, high, medium or stopped; nothing is asked]:sound:' \
		'--state[state directory, instead of the configuration'\''s]:directory:_directories' \
		'*:file:_files' ;;
	check) _arguments \
		'--config[configuration file]:file:_files' \
		'--for[time after which --live ends by itself]:time:' \
		'--json[as JSON]' \
		'--live[name each sensor as you warm it, press it or breathe on it, until Ctrl-C]' \
		'--noise[time to listen for the noise of each sensor; 0s reads each once]:time:' \
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
	pair) _arguments \
		'--config[configuration file]:file:_files' \
		'--for[time that it stays paired, as 30d or 12h]:time:' \
		'--list[list the paired phones]' \
		'--name[name of the phone; else its person says]:name:' \
		'--revoke[end the pairing of the phone of this name]:name:' \
		'--role[role of the phone\: viewer looks, owner also gives orders]:role:' \
		'--state[state directory, instead of the configuration'\''s]:directory:_directories' \
		'*:file:_files' ;;
	backup) _arguments \
		'--config[configuration file]:file:_files' \
		'--state[state directory, instead of the configuration'\''s]:directory:_directories' \
		'*:file:_files' ;;
	restore) _arguments \
		'--config[configuration file]:file:_files' \
		'--state[state directory, instead of the configuration'\''s]:directory:_directories' \
		'*:file:_files' ;;
	erase) _arguments \
		'--config[configuration file]:file:_files' \
		'--state[state directory, instead of the configuration'\''s]:directory:_directories' \
		'--yes[do not ask]' \
		'*:file:_files' ;;
	version) _arguments \
		'*:file:_files' ;;
	esac
}

_frostline "$@"
