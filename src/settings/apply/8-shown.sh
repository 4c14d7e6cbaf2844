
# ---- what is only shown -----------------------------------------------------------------------------------------

# The kind of a file of /etc: who made it what it was then.
made_by() {
    package=$(awk -v path="/$1" '$1 == path { print "yes"; exit }' "$work/conffiles")
    if [ -z "$package" ]; then
        printf 'by-hand'
    elif [ "$(then_file "$1" | md5sum | cut -d' ' -f1)" = "$(awk -v path="/$1" '$1 == path { print $2 }' "$work/conffiles")" ]; then
        printf 'as-packaged'
    else
        printf 'changed'
    fi
}

show_rest() {
    title "other files of then that are missing or differ here"
    # `Conffiles` of dpkg-query(1): path, MD5 of what the package brought, sometimes `obsolete`
    kept packages/conffiles.txt | sed 's/^ *//' >"$work/conffiles"
    grep -E '^(etc|usr/local/etc|root)/' "$work/names" | grep -v '/$' | grep -vE \
        -e '^etc/(passwd|group|shadow|gshadow|subuid|subgid)-?$' -e '^etc/(hostname|localtime|timezone|locale\.gen|fstab|mtab)$' \
        -e '^etc/default/locale$' -e '^etc/ssh/ssh_host_' -e '^etc/apt/(sources|preferences|trusted|auth|keyrings)' \
        -e '^etc/systemd/' -e '^etc/(ld\.so\.cache|\.pwd\.lock|alternatives/.*|rc.\.d/.*|ssl/certs/.*)$' \
        >"$work/wanted"
    differences "$work/wanted" >"$work/differing"
    as_packaged=0
    while read -r how name; do
        case $(made_by "$name") in
            as-packaged) as_packaged=$((as_packaged + 1)) ;;
            changed) say "$how: /$name (of a package, changed by hand)" ;;
            *) say "$how: /$name" ;;
        esac
    done <"$work/differing"
    [ $as_packaged -eq 0 ] || say "and $as_packaged that were as their packages brought them"
    [ -s "$work/differing" ] || say "none"
    say "nothing of this is put back by itself: sh apply --put PATH shows how one differs, and with --do puts it back"
}

show_mounts() {
    title "mount table (shown only: disks have other UUIDs now; disks/ tells how they were)"
    then_file etc/fstab >"$work/fstab"
    if [ ! -e /etc/fstab ] || ! cmp -s "$work/fstab" /etc/fstab; then
        if ! is_open etc/fstab; then
            say "/etc/fstab differs; what is in it is not shown, for others may not read it"
        elif [ -e /etc/fstab ]; then
            show_lines etc/fstab /etc/fstab "$work/fstab"
        else
            show_lines etc/fstab /dev/null "$work/fstab"
        fi
    else
        say "as it was"
    fi
}
