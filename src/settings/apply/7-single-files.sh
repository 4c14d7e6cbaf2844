
# ---- crontabs ---------------------------------------------------------------------------------------------------

section_crontabs() {
    title "crontabs of accounts"
    grep -E '^var/spool/cron/crontabs/[^/]+$' "$work/names" >"$work/wanted"
    differences "$work/wanted" >"$work/differing"
    while read -r how name; do
        owner=${name##*/}
        if [ "$how" != missing ]; then
            leave "the crontab of $owner differs: left; --put /$name shows how"
        elif ! getent passwd "$owner" >/dev/null && ! grep -qxF "$owner" "$work/new-accounts" 2>/dev/null; then
            leave "the crontab of $owner is not brought back: there is no such account"
        elif [ $doing = yes ] && [ ! -d /var/spool/cron/crontabs ]; then
            leave "the crontab of $owner is not brought back: there is no cron here"
        else
            act "bring back the crontab of $owner" bring "$name"
        fi
    done <"$work/differing"
    [ -s "$work/differing" ] || say "as they were"
}

# ---- name, language, time ---------------------------------------------------------------------------------------

section_identity() {
    title "host name, locale, keyboard and time zone"
    grep -xE 'etc/(hostname|locale\.gen|locale\.conf|default/(locale|keyboard|console-setup)|vconsole\.conf|localtime|timezone)' \
        "$work/names" >"$work/wanted"
    differences "$work/wanted" >"$work/differing"
    while read -r how name; do
        if act "bring back /$name" keep_and_bring "$name" && [ "$name" = etc/locale.gen ]; then
            # only where the package locales is
            if command -v locale-gen >/dev/null; then act "make the locales" locale-gen; fi
        fi
    done <"$work/differing"
    [ -s "$work/differing" ] || say "as they were"
}

# ---- files that are put back when they are named ----------------------------------------------------------------

# Whether others may read it, then and now: only then is its content shown.
is_open() {
    # of the home of root some files are kept without it
    case $1 in root/*) return 1 ;; esac
    awk -v name="$1" '
        { path = substr($0, length($1) + 2) }
        path == name { is_open = substr($1, 8, 1) == "r" }
        index(name, path "/") == 1 && substr($1, 10, 1) !~ /[xt]/ { is_shut = 1 }
        END { exit !(is_open && !is_shut) }' "$work/modes" || return 1
    [ -e "/$1" ] || return 0
    stat --format=%A "/$1" | grep -q '^.......r' || return 1
    folder_here=$(dirname "/$1")
    while [ "$folder_here" != / ]; do
        stat --dereference --format=%A "$folder_here" | grep -q '^.........[xt]' || return 1
        folder_here=$(dirname "$folder_here")
    done
}

# Passwords in addresses and options, what stands behind words that tell of a secret, and private keys are not shown.
without_passwords() {
    sed -E -e '/-----BEGIN .*PRIVATE/,/-----END /s/.*/***/' -e 's,://[^ ]*@,://***@,g' \
        -e 's,(://[^ ?]*[?])[^ ]*,\1***,g' \
        -e 's/(([a-z0-9_-]*(pass|pwd|secret|token|psk|credential)[a-z0-9_-]*|[a-z0-9_.-]*key)["'"']?"'([ \t]*[=:][ \t]*|[ \t]+))("[^"]*"|[^ ,]+)/\1***/gI'
}

# A difference as `diff -u` tells it, of the one file here and the other of then. What is hidden is so before they are
# compared: a line of a private key alone does not look like one.
show_lines() {
    without_passwords <"$2" >"$work/hidden-now"
    without_passwords <"$3" >"$work/hidden-then"
    if cmp -s "$work/hidden-now" "$work/hidden-then"; then
        say "/$1 differs in what is not shown"
    else
        diff -u --label "/$1 now" --label "/$1 then" "$work/hidden-now" "$work/hidden-then" | sed 's/^/     /'
    fi
}

show_difference() {
    if [ ! -e "/$1" ] && [ ! -L "/$1" ]; then
        say "/$1 is missing here"
    elif ! is_open "$1"; then
        say "/$1 differs; what is in it is not shown, for others may not read it"
    elif [ -f "/$1" ] && [ ! -L "/$1" ]; then
        then_file "$1" >"$work/shown"
        if cmp -s "$work/shown" "/$1"; then
            say "/$1 differs by its owner or mode"
        else
            show_lines "$1" "/$1" "$work/shown"
        fi
    else
        say "/$1 differs"
    fi
}

# Missing folders that lead to it get the owner and mode of then, not those of this script.
bring_folders_above() {
    [ $doing = yes ] || return 0
    above=$(dirname "$1")
    while [ "$above" != . ] && [ "$above" != etc ]; do
        printf '%s/\n' "$above"
        above=$(dirname "$above")
    done >"$work/above"
    while read -r above; do
        if [ -e "$work/made/$above" ] || ! grep -qxF "$above" "$work/names"; then continue; fi
        mkdir -p "$work/made/$above"
        bring "$above" 2>/dev/null
    done <"$work/above"
}

put() {
    path=${1%/}
    case $path in
        /*) name=${path#/} ;;
        *) wrong "--put wants the whole path, from the root: $path" ;;
    esac
    case /$name/ in */../* | */./* | *//*) wrong "--put wants a plain path: $path" ;; esac
    case $name in
        '' | etc | usr | usr/local | var | root | boot)
            wrong "--put $path would be too much at once: name what you want below it"
            ;;
        etc/passwd | etc/group | etc/shadow | etc/gshadow | etc/subuid | etc/subgid | etc/*- | boot/*)
            leave "$path is not put back: accounts have a section of their own, and boot files belong to this machine"
            return
            ;;
    esac
    awk -v name="$name" '$0 == name || index($0, name "/") == 1' "$work/names" |
        if [ $host_keys = yes ]; then cat; else grep -v '^etc/ssh/ssh_host_'; fi >"$work/wanted"
    [ -s "$work/wanted" ] || {
        leave "$path is not among the files of then (host keys: --host-keys)"
        return
    }
    differences "$work/wanted" >"$work/differing"
    [ -s "$work/differing" ] || say "$path is as it was"
    while read -r how name; do
        if is_of_machine "$name" || is_of_machine "$name/"; then
            show_difference "$name"
            leave "/$name is not put back: it fits disks and network of then; what it held is in files.tar"
            continue
        fi
        [ $doing = yes ] || show_difference "$name"
        act "put back /$name$([ "$how" = missing ] || echo ', and keep what is there now')" keep_and_bring "$name"
    done <"$work/differing"
}

section_puts() {
    title "files that were named"
    printf '%s' "$puts" >"$work/puts"
    while read -r named; do put "$named"; done <"$work/puts"
}

section_host_keys() {
    grep -E '^etc/ssh/ssh_host_' "$work/names" >"$work/wanted"
    differences "$work/wanted" >"$work/differing"
    [ -s "$work/differing" ] || return 0
    title "ssh host keys"
    if [ $host_keys = no ]; then
        leave "this system shows itself to ssh with other keys than the server did; --host-keys puts those of then here"
        return
    fi
    while read -r how name; do
        act "bring back /$name" keep_and_bring "$name"
    done <"$work/differing"
    [ $doing = no ] || say "sshd reads them when it is started again: systemctl restart ssh"
}
