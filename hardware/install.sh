#!/bin/sh
# Installs Underturf on this machine: an environment of its own, a place for the settings, services once these are good.
# Run it in the folder of the project. It prints what it would do; with --do, as root, it does it.
#
#     sh hardware/install.sh            what a box with server and pages would get
#     sh hardware/install.sh --node     what a node that only reads probes would get
#     sudo sh hardware/install.sh --do
set -eu

do=no extra='[server]' commands='underturf underturf-agent'
for word in "$@"; do
  case $word in
    --do) do=yes ;;
    --node) extra='' commands='underturf-agent' ;;
    *) echo "install.sh: found $word, expected --do, --node or nothing" >&2; exit 2 ;;
  esac
done

place=${UNDERTURF_PLACE:-/opt/underturf} settings=${UNDERTURF_SETTINGS:-/etc/underturf}
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
