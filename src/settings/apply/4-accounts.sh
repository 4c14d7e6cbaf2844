
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
            days_can_be_read "$name" ||
                leave "how long the password of $name lasts cannot be read: it is left without an end"
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
        *" $name "*) give_account ;;
        *) leave "account $name is here with another${differs#,}: left; --account $name makes it as then" ;;
    esac
}

# Makes it as then, but for what could shut out who works here.
give_account() {
    password='then'
    if is_usable "$name" && was_shut "$name"; then
        leave "the password of $name was locked or over then, and is usable here: left"
        password=here
        differs=${differs%, password}
    fi
    if [ ! -x "${shell:-/bin/sh}" ]; then
        leave "the shell $shell of $name is not installed here: left; once it is, --account $name gives it"
        shell=$(printf '%s\n' "$here_line" | cut -d: -f7)
        differs=$(printf '%s' "$differs" | sed 's/, shell//')
    fi
    [ -n "$differs" ] || return 0
    change "give account $name its${differs#,} of then" set_account "$name" "$comment" "$home" "$shell" $password
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

# usermod(8) makes no such file where there is none.
add_numbers() {
    if [ ! -e "/etc/$1" ]; then
        : >"/etc/$1" && chmod 644 "/etc/$1" || return 1
    fi
    usermod "--add-${1}s" "$2" "$3"
}

# subuid(5), subgid(5)
section_sub_numbers() {
    for kind in subuid subgid; do
        while IFS=: read -r name first count; do
            is_account "$name" || continue
            present=/etc/$kind
            [ -e "$present" ] || present=/dev/null
            grep -qxF "$name:$first:$count" "$present" && continue
            last=$((first + count - 1))
            if awk -F: -v first="$first" -v last="$last" '$2 <= last && $2 + $3 > first { exit 1 }' "$present"; then
                change "give $name the numbers $first to $last ($kind)" add_numbers "$kind" "$first-$last" "$name"
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
        case $home in [!/]* | / | /dev/* | /proc/* | /run/* | /sys/* | /tmp/* | /var/run/* | '') continue ;; esac
        if [ -e "$home" ] || ! is_account "$owner" || ! is_group "$group"; then continue; fi
        act "make the home folder $home, empty" make_home "$mode" "$owner" "$group" "$home"
    done <"$work/homes"
}

section_accounts() {
    title "groups and accounts"
    before=$((to_do + done_count + failed + left))
    for file in new-groups new-gids new-accounts new-uids; do : >"$work/$file"; done
    tell_broken group 4 3
    tell_broken gshadow 4 ''
    tell_broken passwd 7 '3 4'
    tell_broken shadow 9 ''
    tell_broken subuid 3 '2 3'
    tell_broken subgid 3 '2 3'
    section_groups
    section_passwd
    section_members
    section_sub_numbers
    section_homes
    [ $before -ne $((to_do + done_count + failed + left)) ] || say "as they were"
}
