# ---- what is only told ------------------------------------------------------------------------------------------

# Digits that a shell can reckon with.
is_number() {
    case $1 in
        0) ;;
        '' | *[!0-9]* | 0* | ???????????*) return 1 ;;
    esac
}

# What no section and no --put writes: files of mounts, disks, the network and the firewall.
is_of_machine() {
    case $1 in
        etc/fstab | etc/fstab.d/* | etc/crypttab | etc/mdadm/* | etc/lvm/* | etc/network/* | etc/netplan/*) return 0 ;;
        etc/systemd/network/* | etc/systemd/networkd.conf* | etc/NetworkManager/* | etc/wpa_supplicant/*) return 0 ;;
        etc/resolv.conf | etc/dhcpcd.conf | etc/wireguard/* | etc/nftables* | etc/iptables/* | etc/ufw/*) return 0 ;;
        etc/firewalld/* | etc/shorewall* | etc/default/ufw | etc/default/grub* | etc/grub.d/*) return 0 ;;
        etc/systemd/system/* | etc/systemd/user/*)
            unit=${1#etc/systemd/*/}
            # of `x.mount.d/more.conf` the unit, of `x.wants/y.mount` the one that is wanted
            case $unit in *.wants/* | *.requires/*) unit=${unit#*/} ;; esac
            is_machine_unit "${unit%%.d/*}"
            return
            ;;
    esac
    return 1
}

is_machine_unit() {
    case $1 in
        *.mount | *.automount | *.swap | ssh.* | ssh@* | sshd* | dropbear*) return 0 ;;
        *network* | *Network* | ifup* | wpa_supplicant* | systemd-resolved* | dhcpcd* | connman* | iwd*) return 0 ;;
        nftables* | netfilter* | iptables* | ip6tables* | firewalld* | ufw* | shorewall* | wg-quick*) return 0 ;;
    esac
    return 1
}

