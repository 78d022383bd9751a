# Completion of frostline for bash, made from its commands.

_frostline() {
	local word=${COMP_WORDS[COMP_CWORD]} before=${COMP_WORDS[COMP_CWORD - 1]} flags=
	COMPREPLY=()
	if ((COMP_CWORD == 1)); then
		mapfile -t COMPREPLY < <(compgen -W 'run demo replay record calibrate drill check nights plan pair backup restore erase version help' -- "$word")
		return
	fi
	case ${COMP_WORDS[1]} in
	run) flags='--config --state --sysfs --help' ;;
	demo) flags='--broker --events --fast --listen --print-config --record --scenario --seed --speed --state --help' ;;
	replay) flags='--config --estimates --events --every --rejudge --help' ;;
	record) flags='--config --for --out --sysfs --what --where --help' ;;
	calibrate) flags='--clean-air --config --container --end --kind --list --mix --mix-gas --record --state --undo --water --water-temp --weight --within --zero --help' ;;
	drill) flags='--config --heard --sound --state --help' ;;
	check) flags='--config --for --json --live --noise --reference --sysfs --help' ;;
	nights) flags='--config --csv --last --season --state --svg --versions --help' ;;
	plan) flags='--air --air-high --air-low --altitude --appliance --blend --conductance --cylinder --diameter --fill --horizon --json --least-inlet --night --stages --start-liquid --svg --units --water-capacity --help' ;;
	pair) flags='--config --for --list --name --revoke --role --state --help' ;;
	backup) flags='--config --state --help' ;;
	restore) flags='--config --state --help' ;;
	erase) flags='--config --state --yes --help' ;;
	version) flags='--help' ;;
	esac
	if [[ $word == -* ]]; then
		mapfile -t COMPREPLY < <(compgen -W "$flags" -- "$word")
	elif [[ $before == --state ]]; then
		mapfile -t COMPREPLY < <(compgen -d -- "$word")
	else
		mapfile -t COMPREPLY < <(compgen -f -- "$word")
	fi
}
complete -o filenames -F _frostline frostline
