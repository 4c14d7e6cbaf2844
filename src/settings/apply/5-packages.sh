
# ---- packages ---------------------------------------------------------------------------------------------------

# Names of installed packages, without the architecture where it is the machine's own.
installed() {
    awk -F '\t' '$4 == "installed" { print $1 }' | sed "s/:$arch_now\$//" | sort -u
}

list_packages() {
    dpkg-query --show --showformat='${binary:Package}\t${Version}\t${db:Status-Want}\t${db:Status-Status}\n'
}

# Without the caches that apt would write for itself: a dry run writes nothing.
apt_shows() {
    apt-mark --option Dir::Cache::pkgcache= --option Dir::Cache::srcpkgcache= "$1"
}

in_words() {
    tr '\n' ' ' <"$1" | sed 's/ $//'
}

# Those of the names in this file that a source has.
available() {
    xargs -r apt-cache policy -- <"$1" | awk '
        /^[^ ].*:$/ { name = substr($0, 1, length($0) - 1) }
        $1 == "Candidate:" && $2 != "(none)" { print name }' | sed "s/:$arch_now\$//" | sort -u
}

# Nothing is removed for it, and questions about settings are answered with those that are there.
install_named() {
    xargs -r apt-get install --yes --no-remove --no-install-recommends \
        --option Dpkg::Options::=--force-confdef --option Dpkg::Options::=--force-confold -- <"$1"
}

install_all_or_each() {
    install_named "$1" && return 0
    # one that cannot be installed must not keep the others out
    while read -r package; do
        printf '%s\n' "$package" >"$work/one"
        install_named "$work/one" </dev/null || printf '%s\n' "$package" >>"$work/not-installed"
    done <"$1"
    [ ! -s "$work/not-installed" ]
}

mark() {
    xargs -r apt-mark "$1" -- <"$2"
}

section_packages() {
    title "packages"
    before=$((to_do + done_count + failed + left))
    kept packages/foreign-architectures.txt >"$work/foreign"
    while read -r foreign; do
        dpkg --print-foreign-architectures | grep -qxF "$foreign" ||
            act "take packages of architecture $foreign too" dpkg --add-architecture "$foreign"
    done <"$work/foreign"
    kept packages/versions.txt | installed >"$work/then"
    list_packages | installed >"$work/now"
    kept packages/manual.txt | sed "s/:$arch_now\$//" | sort -u >"$work/manual"
    # kernels come by the package that always brings the newest, not by those it brought once
    comm -23 "$work/then" "$work/now" >"$work/missing-all"
    comm -12 "$work/missing-all" "$work/manual" >"$work/missing-manual"
    comm -23 "$work/missing-all" "$work/manual" |
        grep -Ev '^linux-(image|headers|kbuild|modules)-[0-9]' >"$work/missing-automatic"
    sort -u "$work/missing-manual" "$work/missing-automatic" >"$work/missing"
    if [ -s "$work/missing" ]; then
        count=$(grep -c . "$work/missing")
        say "$count missing: $(in_words "$work/missing")"
        act "read the lists of packages anew" apt-get update
        if [ $doing = yes ]; then
            available "$work/missing" >"$work/to-install"
            comm -23 "$work/missing-manual" "$work/to-install" >"$work/nowhere"
            while read -r package; do
                leave "package $package is in none of the sources: it was installed from a file, or is gone"
            done <"$work/nowhere"
            comm -23 "$work/missing-automatic" "$work/to-install" >"$work/nowhere"
            [ ! -s "$work/nowhere" ] ||
                say "no longer in the sources, and only there for other packages: $(in_words "$work/nowhere")"
            count=$(grep -c . "$work/to-install")
        else
            cp "$work/missing" "$work/to-install"
        fi
        [ ! -s "$work/to-install" ] || act "install $count packages" install_all_or_each "$work/to-install"
        if [ $doing = yes ]; then
            list_packages | installed >"$work/now"
            comm -12 "$work/to-install" "$work/now" | comm -23 - "$work/manual" >"$work/automatic"
            [ ! -s "$work/automatic" ] || act "mark those that came for others as such" mark auto "$work/automatic"
        fi
    fi
    apt_shows showmanual | sed "s/:$arch_now\$//" | sort -u >"$work/manual-here"
    comm -12 "$work/manual" "$work/now" | comm -23 - "$work/manual-here" >"$work/to-mark"
    [ ! -s "$work/to-mark" ] ||
        act "mark as wanted by themselves: $(in_words "$work/to-mark")" mark manual "$work/to-mark"
    section_holds
    [ $before -ne $((to_do + done_count + failed + left)) ] || say "as they were"
}

section_holds() {
    kept packages/holds.txt >"$work/holds"
    apt_shows showhold >"$work/holds-here"
    while read -r package; do
        grep -qxF "$package" "$work/holds-here" && continue
        version=$(kept packages/versions.txt | awk -F '\t' -v name="$package" '{ plain = $1; sub(/:.*/, "", plain) }
            plain == name || $1 == name { print $2; exit }')
        version_here=$(dpkg-query --show --showformat='${Version}' "$package" 2>/dev/null)
        if [ -n "$version_here" ] && [ "$version" != "$version_here" ]; then
            leave "package $package was held at version $version; here it is $version_here"
        fi
        act "hold package $package as it is" apt-mark hold "$package"
    done <"$work/holds"
}
