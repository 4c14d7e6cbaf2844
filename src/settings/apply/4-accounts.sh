
# ---- groups and accounts ----------------------------------------------------------------------------------------
# They come before the packages: a package finds the account that it needs there, with the number of then, and so
# whatever is copied back by number belongs to whom it did.

# field FILE NAME NUMBER: of the line of this name in one of the files of then
field() {
    awk -F: -v name="$2" -v field="$3" '$1 == name { print $field; exit }' "$work/$1"
}

# the name of a group of then, by its number
group_then() {
    awk -F: -v number="$1" '$3 == number { print $1; exit }' "$work/group"
}

is_account() {
    getent passwd "$1" >/dev/null || grep -qxF "$1" "$work/new-accounts"
}

is_group() {
    getent group "$1" >/dev/null || grep -qxF "$1" "$work/new-groups"
}

# As act, and before the first change of all the files that tell of accounts are kept.
change() {
    if ! keep_account_files; then wrong "the files of accounts could not be kept below $aside: they are as they were"; fi
    act "$@"
}

keep_account_files() {
    if [ $doing = no ] || [ -e "$work/accounts-kept" ]; then return 0; fi
    for file in passwd group shadow gshadow subuid subgid; do
        keep_aside "etc/$file" || return 1
    done
    : >"$work/accounts-kept"
}

make_group() {
    groupadd --gid "$2" "$1" || return 1
    hash=$(field gshadow "$1" 2)
    case $hash in
        '' | '!'* | '*') ;;
        # through a pipe: arguments of programs can be seen by others
        *) printf '%s:%s\n' "$1" "$hash" | chgpasswd --encrypted ;;
    esac
}

# The password of then, as its hash, and how long it lasts: shadow(5).
set_password() {
    line=$(awk -F: -v name="$1" '$1 == name { print; exit }' "$work/shadow")
    [ -n "$line" ] || return 0
    hash=$(printf '%s\n' "$line" | cut -d: -f2)
    # an account that anybody can enter is not made so again by itself: section_accounts tells of it
    if [ -n "$hash" ]; then
        printf '%s:%s\n' "$1" "$hash" | chpasswd --encrypted || return 1
    fi
    day() {
        value=$(printf '%s\n' "$line" | cut -d: -f"$1")
        printf '%s' "${value:--1}"
    }
    chage --lastday "$(day 3)" --mindays "$(day 4)" --maxdays "$(day 5)" --warndays "$(day 6)" \
        --inactive "$(day 7)" --expiredate "$(day 8)" "$1"
}

make_account() {
    name=$1 uid=$2 group=$3 comment=$4 home=$5 shell=$6
    set -- --uid "$uid" --gid "$group" --comment "$comment" --home-dir "$home" --shell "$shell" \
        --no-create-home --no-user-group --no-log-init
    if [ "$uid" -lt 1000 ]; then
        set -- "$@" --system
    else
        # numbers for containers are given below, those of then
        set -- "$@" --key SUB_UID_COUNT=0 --key SUB_GID_COUNT=0
    fi
    useradd "$@" -- "$name" && set_password "$name"
}

set_account() {
    usermod --comment "$2" --home "$3" --shell "$4" "$1" && set_password "$1"
}

make_home() {
    (umask 022 && mkdir -p "$4") && chown "$2:$3" "$4" && chmod "$1" "$4"
}

section_groups() {
    while IFS=: read -r name _ gid _; do
        case $name in '' | [+-]*) continue ;; esac
        number_here=$(getent group "$name" | cut -d: -f3)
        holder=$(getent group "$gid" | cut -d: -f1)
        if [ -n "$number_here" ]; then
            [ "$number_here" = "$gid" ] ||
                leave "group $name has number $number_here here, $gid then: left; files copied by number need a chgrp"
        elif [ -n "$holder" ] || grep -qxF "$gid" "$work/new-gids"; then
            leave "group $name is not made: its number $gid belongs to ${holder:-another group} here"
        else
            printf '%s\n' "$name" >>"$work/new-groups"
            printf '%s\n' "$gid" >>"$work/new-gids"
            change "make group $name, number $gid" make_group "$name" "$gid"
        fi
    done <"$work/group"
}

section_passwd() {
    while IFS=: read -r name _ uid gid comment home shell; do
        case $name in '' | [+-]*) continue ;; esac
        here_line=$(getent passwd "$name")
        holder=$(getent passwd "$uid" | cut -d: -f1)
        group=$(group_then "$gid")
        if [ -n "$here_line" ]; then
            compare_account
        elif [ -n "$holder" ] || grep -qxF "$uid" "$work/new-uids"; then
            leave "account $name is not made: its number $uid belongs to ${holder:-another account} here"
        elif [ -z "$group" ] || ! is_group "$group"; then
            leave "account $name is not made: its group ${group:-$gid} is not here"
        else
            printf '%s\n' "$name" >>"$work/new-accounts"
            printf '%s\n' "$uid" >>"$work/new-uids"
            [ -n "$(field shadow "$name" 2)" ] || [ -z "$(field shadow "$name" 1)" ] ||
                leave "account $name had an empty password: it is made locked; passwd $name opens it"
            change "make account $name, number $uid" make_account "$name" "$uid" "$group" "$comment" "$home" "$shell"
        fi
    done <"$work/passwd"
}

# An account that is here already: its number is never changed, the rest only when it is named.
compare_account() {
    number_here=$(printf '%s\n' "$here_line" | cut -d: -f3)
    [ "$number_here" = "$uid" ] ||
        leave "account $name has number $number_here here, $uid then: left; files copied by number need a chown"
    differs=''
    [ "$(printf '%s\n' "$here_line" | cut -d: -f5)" = "$comment" ] || differs="$differs, name"
    [ "$(printf '%s\n' "$here_line" | cut -d: -f6)" = "$home" ] || differs="$differs, home"
    [ "$(printf '%s\n' "$here_line" | cut -d: -f7)" = "$shell" ] || differs="$differs, shell"
    hash=$(field shadow "$name" 2)
    [ -z "$hash" ] || [ "$hash" = "$(getent shadow "$name" | cut -d: -f2)" ] || differs="$differs, password"
    [ -n "$differs" ] || return 0
    case $accounts_as_then in
        *" $name "*)
            change "give account $name its${differs#,} of then" set_account "$name" "$comment" "$home" "$shell"
            ;;
        *) leave "account $name is here with another${differs#,}: left; --account $name makes it as then" ;;
    esac
}

section_members() {
    while IFS=: read -r group _ _ members; do
        is_group "$group" || continue
        here_members=",$(getent group "$group" | cut -d: -f4),"
        for member in $(printf '%s' "$members" | tr , ' '); do
            case $here_members in *",$member,"*) continue ;; esac
            is_account "$member" || continue
            change "put $member into group $group" gpasswd --add "$member" "$group"
        done
    done <"$work/group"
    while IFS=: read -r group _ administrators _; do
        if [ -z "$administrators" ] || ! is_group "$group"; then continue; fi
        [ "$(awk -F: -v name="$group" '$1 == name { print $3 }' /etc/gshadow)" = "$administrators" ] ||
            change "let $administrators look after group $group" gpasswd --administrators "$administrators" "$group"
    done <"$work/gshadow"
}

# subuid(5), subgid(5)
section_sub_numbers() {
    for kind in subuid subgid; do
        while IFS=: read -r name first count; do
            if [ -z "$count" ] || ! is_account "$name"; then continue; fi
            grep -qxF "$name:$first:$count" "/etc/$kind" 2>/dev/null && continue
            last=$((first + count - 1))
            if awk -F: -v first="$first" -v last="$last" '$2 <= last && $2 + $3 > first { exit 1 }' "/etc/$kind"; then
                change "give $name the numbers $first to $last ($kind)" usermod "--add-${kind}s" "$first-$last" "$name"
            else
                leave "$name is not given the numbers $first to $last ($kind): another account has some of them"
            fi
        done <"$work/$kind"
    done
}

section_homes() {
    tab=$(printf '\t')
    kept accounts/homes.txt >"$work/homes"
    while IFS=$tab read -r mode owner group home; do
        case $home in / | /dev/* | /proc/* | /run/* | /sys/* | /tmp/* | /var/run/* | '') continue ;; esac
        if [ -e "$home" ] || ! is_account "$owner" || ! is_group "$group"; then continue; fi
        act "make the home folder $home, empty" make_home "$mode" "$owner" "$group" "$home"
    done <"$work/homes"
}

section_accounts() {
    title "groups and accounts"
    before=$((to_do + done_count + failed + left))
    for file in new-groups new-gids new-accounts new-uids; do : >"$work/$file"; done
    section_groups
    section_passwd
    section_members
    section_sub_numbers
    section_homes
    [ $before -ne $((to_do + done_count + failed + left)) ] || say "as they were"
}
