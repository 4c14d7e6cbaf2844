
# ---- units and timers -------------------------------------------------------------------------------------------

# `UNIT STATE` of every unit file, whether or not systemd is running.
list_units() {
    systemctl --root=/ list-unit-files --no-legend --no-pager | awk '{ print $1, $2 }'
}

with_state() {
    awk -v state="$1" '$2 == state { print $1 }' | sort -u
}

# Units of a template are told by their links only: `glaze@kiln.service`.
instances_then() {
    sed -n 's,^etc/systemd/system/[^/]*\.\(wants\|requires\)/\([^/]*@[^/]*\..*\)$,\2,p' "$work/names" | sort -u
}

instances_here() {
    find /etc/systemd/system -path '*.wants/*@*' -o -path '*.requires/*@*' | sed 's,.*/,,' | sort -u
}

section_unit_files() {
    tar --list --verbose --file="$here/files.tar" --quoting-style=escape 2>/dev/null |
        awk '/^-/ && $NF ~ /^etc\/systemd\// { print $NF }' >"$work/wanted"
    differences "$work/wanted" >"$work/differing"
    while read -r how name; do
        if [ "$how" = missing ]; then
            act "bring back /$name" bring "$name"
            bring_folders_above "$name"
        else
            leave "/$name differs: left; --put /$name shows how"
        fi
    done <"$work/differing"
}

section_units() {
    title "units and timers"
    before=$((to_do + done_count + failed + left))
    section_unit_files
    if ! command -v systemctl >/dev/null; then
        leave "there is no systemctl here: no unit was looked at"
        return
    fi
    kept units/files.txt | awk '{ print $1, $2 }' >"$work/units-then"
    list_units >"$work/units-now"
    for state in enabled masked; do
        with_state $state <"$work/units-then" >"$work/$state-then"
        with_state $state <"$work/units-now" >"$work/$state-now"
    done
    instances_then >"$work/instances-then"
    instances_here >"$work/instances-now"
    { comm -23 "$work/enabled-then" "$work/enabled-now"; comm -23 "$work/instances-then" "$work/instances-now"; } |
        sort -u >"$work/to-enable"
    while read -r unit; do
        # in a dry run its package is not there yet
        template=$(printf '%s' "$unit" | sed 's/@[^.]*\./@./')
        if [ $doing = yes ] && ! cut -d' ' -f1 "$work/units-now" | grep -qxF -e "$unit" -e "$template"; then
            leave "$unit is not enabled: there is no such unit here"
            continue
        fi
        act "enable $unit" systemctl --root=/ enable "$unit"
    done <"$work/to-enable"
    # a package may mask one too: that is its own affair
    comm -23 "$work/masked-then" "$work/masked-now" >"$work/to-mask"
    while read -r unit; do
        grep -qxF "etc/systemd/system/$unit" "$work/names" || continue
        act "mask $unit" systemctl --root=/ mask "$unit"
    done <"$work/to-mask"
    awk '$2 == "disabled" { print $1 }' "$work/units-then" | sort -u | comm -12 - "$work/enabled-now" >"$work/off-then"
    while read -r unit; do
        leave "$unit is enabled here and was not then: left; systemctl disable $unit"
    done <"$work/off-then"
    target=$(kept units/default-target.txt)
    [ -z "$target" ] || [ "$target" = "$(systemctl --root=/ get-default 2>/dev/null)" ] ||
        act "start into $target" systemctl --root=/ set-default "$target"
    if [ $before -eq $((to_do + done_count + failed + left)) ]; then
        say "as they were"
    elif [ $doing = yes ] && [ -d /run/systemd/system ]; then
        act "let systemd read its units anew" systemctl daemon-reload
        say "nothing was started: that happens at the next start of the system"
    fi
}
