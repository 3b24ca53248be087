#!/bin/sh
# Installs Underturf on this machine: an environment of its own, a place for the settings, services once these are good.
# Run it in the folder of the project. It prints what it would do; with --do, as root, it does it.
#
#     sh hardware/install.sh            what a box with server and pages would get
#     sh hardware/install.sh --node     what a node that only reads probes would get
#     sudo sh hardware/install.sh --do
#     sudo sh hardware/install.sh --upgrade --do    this version in place of the one that is installed: services stopped,
#                                                   a backup, settings checked, the same services started
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

# The version numbers of two commits are often the same: the way back wants to know which one it was.
commit=$place/installed-commit
install_here() {
  run rm -rf "$here/build"  # what an earlier version left there would be installed with this one
  run "$place/bin/pip" install --quiet "$here$extra"
  [ "$do" = no ] || git -c safe.directory="$here" -C "$here" log -1 --format='commit %h of %cs' >"$commit" 2>/dev/null ||
    rm -f "$commit"
}

[ "$do" = yes ] && echo "This is done:" || echo "This would be done, by root, with --do:"

if [ "$upgrade" = yes ]; then
  [ -x "$place/bin/underturf-agent" ] ||
    { echo "$place: found no Underturf to upgrade, expected one: without --upgrade it is installed" >&2; exit 1; }
  # An upgrade that was broken off goes on: what it had stopped is started, and a backup it had taken is enough.
  before=$("$place/bin/underturf-agent" --version 2>/dev/null) || before="an Underturf that does not run"
  [ ! -s "$commit" ] || before="$before, $(cat "$commit")"
  stopped=$backups/.stopped taken=$backups/.taken would='' changed=no
  [ ! -s "$stopped" ] || changed=yes
  # What a box has been installed as, it stays.
  [ -f "$settings/underturf.toml" ] || extra=
  is_active() { command -v systemctl >/dev/null && systemctl --quiet is-active "$(unit "$1")" 2>/dev/null; }
  unit() { case $1 in *.timer) echo "$1" ;; *) echo "$1.service" ;; esac; }
  names() { { printf '%s\n' $would; [ ! -s "$stopped" ] || cat "$stopped"; } | sort -u | xargs; }
  start() {
    for service in $(names); do
      run systemctl start "$(unit "$service")" || return 1
    done
    [ "$do" = no ] || rm -f "$stopped" "$taken"
  }
  way_back() {
    code=$?
    if [ $code -ne 0 ] && [ $changed = no ] && start; then
      echo "Nothing is installed, and what was stopped is started again." >&2
      exit $code
    fi
    [ $code -eq 0 ] || cat >&2 <<END
Nothing more is done, and the settings are as they were. Stopped, and not started again: $(names | grep . || echo none).
When that is mended, run this again: it goes on, and starts them.
Back to $before: check that version out here, run this again; if the data had been opened by the new one, first
  $place/bin/underturf restore --replace --config $settings/underturf.toml $backups/BACKUP
END
    exit $code
  }
  trap way_back EXIT
  trap 'exit 130' INT TERM
  run install -d -m 0700 "$backups"
  # The service has run since: that backup is not of what it has now.
  if [ "$do" = yes ] && is_active underturf; then rm -f "$taken"; fi
  for service in underturf underturf-agent underturf-agent-once.timer; do
    if is_active "$service"; then
      [ "$do" = no ] || echo "$service" >>"$stopped"
      run systemctl stop "$(unit "$service")"
      # What the timer has just started ends too; the timer starts it again.
      [ "$service" != underturf-agent-once.timer ] || run systemctl stop underturf-agent-once.service
      [ "$do" = yes ] || would="$would $service"
    fi
  done
  if [ -f "$settings/underturf.toml" ]; then
    code=0
    run "$place/bin/underturf" backup --to "$backups" --config "$settings/underturf.toml" || code=$?
    case $code in
      0) ;;
      3) echo "  It goes on without a backup: there is none to take here, or it is taken by other means, as just said." ;;
      *) [ -e "$taken" ] || exit $code; echo "  It goes on: a backup was seen to when this was run before." ;;
    esac
    [ "$do" = no ] || : >"$taken"
  fi
  changed=yes
  install_here
  [ ! -f "$settings/underturf.toml" ] || run "$place/bin/underturf" check --config "$settings/underturf.toml"
  [ ! -f "$settings/agent.toml" ] || run "$place/bin/underturf-agent" check --config "$settings/agent.toml"
  start
  trap - EXIT
  echo "It was $before. What the changelog says of units or sums is done by install-service and recompute."
  exit 0
fi

[ -x "$place/bin/python" ] || run "$python" -m venv "$place"
install_here
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
