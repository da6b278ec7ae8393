#!/bin/sh
# Runs as a unit beside the service, on its systemd, and says one line for each thing it saw:
# SAW KEY VALUE. Ends by switching off.
exec >/dev/ttyS1 2>&1
config=/etc/dewline/dewline.yaml

say() { echo "SAW $*"; }
shown() { systemctl show dewline -p "$1" --value; }
now_ms() { cut -d ' ' -f 1 /proc/uptime | tr -d . | sed 's/^0*//;s/$/0/'; }

# until_true SECONDS COMMAND...: how long it took in ms, or "never".
until_true() {
    began=$(now_ms)
    limit=$((began + $1 * 1000))
    shift
    until "$@" >/dev/null 2>&1; do
        if [ "$(now_ms)" -gt "$limit" ]; then echo never; return 0; fi
        sleep 0.1
    done
    echo $(($(now_ms) - began))
}

is_active() { [ "$(shown ActiveState)" = active ]; }
is_failed() { [ "$(shown ActiveState)" = failed ]; }
good() { # good BOX SIGNAL: the daemon holds a good reading of it, taken since it started
    dewline status --json | python3 -c "
import json, sys
reading = json.load(sys.stdin)['boxes']['$1']['readings']['$2']
sys.exit(reading['quality'] != 'good')"
}
last_link_down() { journalctl -o cat -u dewline | grep "$1.*: link down: " | tail -n 1; }
again() { [ "$(shown NRestarts)" -gt "$1" ] && is_active; }

until_true 120 is_active >/dev/null
start=$(shown ExecMainStartTimestampMonotonic)
up=$(shown ActiveEnterTimestampMonotonic)
say ready_ms $(((up - start) / 1000))
say since_kernel_ms $((up / 1000))
say panel_good_ms "$(until_true 60 good heron pressure)"

# The page's last step, as it stands there: a first alarm.
cp "$config" /run/right.yaml
cat >>"$config" <<'END'
rules:
  first-alarm: {signal: pressure, above: -50 mbar, priority: low, advice: This is only a try.}
END
systemctl reload dewline
mosquitto_sub -h 127.0.0.1 -u reader -P "$(cat /etc/mosquitto/dewline-passwords/reader)" \
    -t 'dewline/+/+/alarm/first-alarm' -C 1 -W 60 >/run/heard
cat /run/heard
say first_alarm_state "$(python3 -c 'import json; print(json.load(open("/run/heard"))["state"])')"
dewline status
runuser -u pi -- dewline ack heron.first-alarm && say acknowledged 1
cp /run/right.yaml "$config"
systemctl reload dewline

say memory_bytes "$(shown MemoryCurrent)"
systemctl --no-pager status dewline
systemd-analyze --no-pager verify dewline.service dewline-backup.service dewline-backup.timer &&
    say verify 0
for unit in dewline dewline-backup; do
    say "exposure_$(echo $unit | tr - _)" "$(systemd-analyze --no-pager security "$unit" | sed -n 's/.*exposure level for.*: \([0-9.]*\) .*/\1/p')"
done

systemctl start dewline-backup && say backups "$(find /var/lib/dewline/backups -type f | wc -l)"

# A USB adapter without a driver behind it: who may open it is told that nothing is there.
mknod -m 0660 /dev/dewline-analyzers c 188 0
mknod -m 0660 /dev/dewline-frost c 10 200 # a tunnel: none of a watcher's business
chgrp dialout /dev/dewline-analyzers /dev/dewline-frost
restarts=$(shown NRestarts)
kill -KILL "$(shown MainPID)"
say kill_back_ms "$(until_true 60 again "$restarts")"
say kill_good_ms "$(until_true 60 good heron pressure)"
say adapter_passes "$(last_link_down analyzers | grep -c 'No such device')"
say tunnel_refused "$(last_link_down frost | grep -c 'not permitted')"
last_link_down .

restarts=$(shown NRestarts)
kill -STOP "$(shown MainPID)"
say hung_back_ms "$(until_true 180 again "$restarts")"
say hung_good_ms "$(until_true 60 good heron pressure)"

echo "nonsense: 1" >>"$config"
before=$(shown MainPID)
systemctl reload dewline
sleep 2
[ "$(shown MainPID)" = "$before" ] && is_active && say bad_reload_runs_on 1
systemctl restart dewline
say bad_config_failed_ms "$(until_true 30 is_failed)"
say bad_config_status "$(shown ExecMainStatus)"
sleep 12
say bad_config_restarts "$(shown NRestarts)"
is_failed && say bad_config_stays_down 1
cp /run/right.yaml "$config"
systemctl start dewline
say mended_active "$(shown ActiveState)"

for process in /proc/[0-9]*; do tr '\000' ' ' <"$process/cmdline"; echo; done
began=$(now_ms)
systemctl stop dewline
say stop_ms $(($(now_ms) - began))
say stop_result "$(shown Result)"
dewline journal check --config "$config" && say record_sound 1
journalctl --no-pager -o cat -u dewline | tail -n 100
say end 1
systemctl --no-block poweroff
