#!/bin/sh
# Installs Underturf on this machine: an environment of its own, a place for the settings, services once these are good.
# Run it in the folder of the project. It prints what it would do; with --do, as root, it does it.
#
#     sh hardware/install.sh            what a box with server and pages would get
#     sh hardware/install.sh --node     what a node that only reads probes would get
#     sudo sh hardware/install.sh --do
#     sudo sh hardware/install.sh --upgrade --do    this version in place of the one that is installed: a backup first,
#                                                   services stopped, settings checked, the same services started
set -eu

do=no extra='[server]' commands='underturf underturf-agent' upgrade=no
for word in "$@"; do
  case $word in
    --do) do=yes ;;
    --node) extra='' commands='underturf-agent' ;;
    --upgrade) upgrade=yes ;;
    *) echo "install.sh: found $word, expected --do, --node, --upgrade or nothing" >&2; exit 2 ;;
  esac
done

place=${UNDERTURF_PLACE:-/opt/underturf} settings=${UNDERTURF_SETTINGS:-/etc/underturf}
backups=${UNDERTURF_BACKUPS:-/var/backups/underturf}
here=$(cd "$(dirname "$0")/.." && pwd)

python=$(command -v python3 || true)
[ -n "$python" ] || { echo "python3: found none, expected 3.11 or later. On Debian: apt install python3-venv" >&2; exit 1; }
"$python" -c 'import sys; sys.exit(sys.version_info < (3, 11))' ||
  { echo "python3: found $("$python" -V), expected 3.11 or later" >&2; exit 1; }
"$python" -c 'import ensurepip, venv' 2>/dev/null ||
  { echo "python3: found no venv, expected it. On Debian: apt install python3-venv" >&2; exit 1; }
[ "$do" = no ] || [ -w "$(dirname "$place")" ] || { echo "$place: found no leave to write there. Try with sudo" >&2; exit 1; }

run() {
  echo "  $*"
  [ "$do" = no ] || "$@"
}

[ "$do" = yes ] && echo "This is done:" || echo "This would be done, by root, with --do:"

if [ "$upgrade" = yes ]; then
  [ -x "$place/bin/underturf-agent" ] ||
    { echo "$place: found no Underturf to upgrade, expected one: without --upgrade it is installed" >&2; exit 1; }
  before=$("$place/bin/underturf-agent" --version) stopped=
  # What a box has been installed as, it stays.
  [ -f "$settings/underturf.toml" ] || extra=
  way_back() {
    code=$?
    [ $code -eq 0 ] || cat >&2 <<END
Nothing more is done, and the settings are as they were. Stopped, and not started again:${stopped:- none}.
Back to $before: check that version out here, run this again; if the data had been opened by the new one, first
  $place/bin/underturf restore --replace --config $settings/underturf.toml $backups/BACKUP
END
    exit $code
  }
  trap way_back EXIT
  if [ -f "$settings/underturf.toml" ]; then
    run install -d -m 0700 "$backups"
    run "$place/bin/underturf" backup --to "$backups" --config "$settings/underturf.toml"
  fi
  for service in underturf underturf-agent; do
    if command -v systemctl >/dev/null && systemctl --quiet is-active "$service.service" 2>/dev/null; then
      run systemctl stop "$service.service"
      stopped="$stopped $service"
    fi
  done
  run "$place/bin/pip" install --quiet "$here$extra"
  [ ! -f "$settings/underturf.toml" ] || run "$place/bin/underturf" check --config "$settings/underturf.toml"
  [ ! -f "$settings/agent.toml" ] || run "$place/bin/underturf-agent" check --config "$settings/agent.toml"
  for service in $stopped; do
    run systemctl start "$service.service"
  done
  trap - EXIT
  echo "It was $before. What the changelog says of units or sums is done by install-service and recompute."
  exit 0
fi

[ -x "$place/bin/python" ] || run "$python" -m venv "$place"
run "$place/bin/pip" install --quiet "$here$extra"
run install -d "$settings" "$settings/probes"
for command in $commands; do
  link=${UNDERTURF_LINKS:-/usr/local/bin}/$command
  [ -e "$link" ] || run ln -s "$place/bin/$command" "$link"
done

cat <<END
Then, with one probe connected: underturf-agent setup --write $settings/agent.toml
and as the guide to the first reading says (hardware/docs/first-reading.md). Services come last:
  underturf-agent install-service --config $settings/agent.toml
END
case $commands in underturf\ *) echo "  underturf install-service --config $settings/underturf.toml" ;; esac
