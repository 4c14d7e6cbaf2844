//! `hayloft restore JOB --compare`: then against now, on a real Debian.

use crate::settings_server::{SECRETS, hayloft_in, settings_job, settled_server};
use crate::world::World;

const CHANGES: &str = r#"
export DEBIAN_FRONTEND=noninteractive
apt-get purge -y -qq tree --allow-change-held-packages >/dev/null 2>&1
useradd -u 1700 -g studio -s /bin/sh marta
printf '%s' 'ines:$y$j9T$salt-of-ines$another' | chpasswd -e
gpasswd -d ines glaze
userdel apprentice
systemctl disable orders@kiln.service
printf '0 4 * * * /usr/local/bin/fire-kiln\n' | crontab -u ines -
printf 'open to all\nand to the cat\n' >/etc/glaze/list
chmod 600 /etc/glaze/recipes.conf; echo 'ash = "ash-of-beech"' >>/etc/glaze/recipes.conf
sed -i 's/share-of-the-shed/share-of-the-cellar/; s/nofail/nofail,noatime/' /etc/fstab
rm /etc/cron.d/orders
echo oven >/etc/hostname
echo new >/etc/glaze/new
ssh-keygen -q -t rsa -b 2048 -N '' -C root@oven -f /etc/ssh/ssh_host_rsa_key
"#;

#[test]
fn what_changed_since_is_told_by_its_kind_and_no_secret_is_shown() {
    let Some(world) = World::new(64) else { return };
    let Some(server) = settled_server() else {
        return;
    };
    settings_job(&world);
    hayloft_in(&server, &world, &["run", "server"], 0);
    let before = world.entries("server");
    let compare = ["restore", "server", "--compare"];
    let same = hayloft_in(&server, &world, &compare, 0);
    assert!(
        same.out.starts_with("This server is as it was at"),
        "{}",
        same.out
    );

    server.sh(CHANGES);
    let state = server.state("/nowhere");
    let found = hayloft_in(&server, &world, &compare, 0);
    for words in [
        "  gone     tree\n",
        "  new      marta\n",
        "  gone     apprentice\n",
        "then number 1600, members ines orders\n",
        "now  number 1600, members orders\n",
        "  gone     orders@kiln.service\n",
        "then 30 2 * * * as ines\n",
        "now  0 4 * * * as ines\n",
        "  gone     /etc/cron.d/orders\n",
        "  new      /etc/glaze/new\n",
        "  differs  /etc/shadow\n",
        "+and to the cat\n",
        "-kiln\n",
        "+oven\n",
        "then kiln\n",
        "  new      ssh_host_rsa_key\n",
        "password=*** 0 0\n",
    ] {
        assert!(found.out.contains(words), "{words}\n{}", found.out);
    }
    let hidden = ["ash-of-beech", "share-of-the-cellar", "another"];
    for secret in SECRETS.iter().chain(&hidden) {
        assert!(!found.out.contains(secret), "{secret}\n{}", found.out);
        assert!(!found.errors.contains(secret), "{secret}\n{}", found.errors);
    }
    let after = server.state("/nowhere");
    let touched: Vec<_> = state.symmetric_difference(&after).collect();
    assert!(touched.is_empty(), "{touched:#?}");
    assert_eq!(world.entries("server"), before);

    let shown = hayloft_in(
        &server,
        &world,
        &["--json", "restore", "server", "--compare"],
        0,
    );
    let json: serde_json::Value = serde_json::from_str(&shown.out).unwrap();
    let packages = &json["difference"]["parts"];
    let part = packages.as_array().unwrap().iter();
    let part = part
        .filter(|part| part["title"] == "packages")
        .next()
        .unwrap();
    assert_eq!(part["changes"][0]["name"], "tree");
    assert_eq!(part["changes"][0]["what"], "gone");
}
