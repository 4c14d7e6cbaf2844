
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
    sed -n 's,^-[^ ]* \(etc/systemd/\),\1,p' "$work/modes" >"$work/wanted"
    differences "$work/wanted" >"$work/differing"
    while read -r how name; do
        if is_of_machine "$name"; then
            leave "/$name $(is_how "$how"): it is of mounts, network or ssh, and never written; see files.tar"
        elif [ "$how" = missing ] && is_unit_file "$name"; then
            act "bring back /$name" bring "$name"
            bring_folders_above "$name"
        else
            leave "/$name $(is_how "$how"): left; --put /$name shows how"
        fi
    done <"$work/differing"
}

is_unit_file() {
    case $1 in etc/systemd/system/* | etc/systemd/user/*) return 0 ;; esac
    return 1
}

is_how() {
    case $1 in missing) echo 'is missing' ;; *) echo "$1" ;; esac
}

# can_be_set UNIT WORD: whether it is a unit at all, and none that is only told of.
can_be_set() {
    case $1 in
        -* | *[!A-Za-z0-9:_.@"$backslash"-]*) odd=yes ;;
        ?*.?*) odd=no ;;
        *) odd=yes ;;
    esac
    if [ $odd = yes ]; then
        leave "\`$1\` is no unit: left"
        return 1
    fi
    if is_machine_unit "$1"; then
        leave "$1 was $2 then: left, for it is of mounts, network, firewall or ssh"
        return 1
    fi
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
        can_be_set "$unit" enabled || continue
        # in a dry run its package is not there yet
        template=$(printf '%s' "$unit" | sed 's/@[^.]*\./@./')
        if [ $doing = yes ] && ! cut -d' ' -f1 "$work/units-now" | grep -qxF -e "$unit" -e "$template"; then
            leave "$unit is not enabled: there is no such unit here"
            continue
        fi
        act "enable $unit" systemctl --root=/ enable -- "$unit"
    done <"$work/to-enable"
    # a package may mask one too: that is its own affair
    comm -23 "$work/masked-then" "$work/masked-now" >"$work/to-mask"
    while read -r unit; do
        grep -qxF "etc/systemd/system/$unit" "$work/names" || continue
        can_be_set "$unit" masked || continue
        act "mask $unit" systemctl --root=/ mask -- "$unit"
    done <"$work/to-mask"
    awk '$2 == "disabled" { print $1 }' "$work/units-then" | sort -u | comm -12 - "$work/enabled-now" >"$work/off-then"
    while read -r unit; do
        leave "$unit is enabled here and was not then: left; systemctl disable $unit"
    done <"$work/off-then"
    target=$(kept units/default-target.txt)
    case $target in ?*.target) ;; *) target='' ;; esac
    [ -z "$target" ] || [ "$target" = "$(systemctl --root=/ get-default 2>/dev/null)" ] ||
        act "start into $target" systemctl --root=/ set-default "$target"
    if [ $before -eq $((to_do + done_count + failed + left)) ]; then
        say "as they were"
    elif [ $doing = yes ] && [ -d /run/systemd/system ]; then
        act "let systemd read its units anew" systemctl daemon-reload
        say "nothing was started: that happens at the next start of the system"
    fi
}
