//! A reviewer at the same workstation sees no report of a reading that they have still to make unseen, and sends none.

use osspan::archive::Outbox;
use osspan::files;

use super::{read_visit, run, visit};

#[test]
fn reports_of_an_exam_are_in_no_list_of_a_reviewer_who_has_still_to_read_it() {
    let home = tempfile::tempdir().unwrap();
    let text =
        "title = \"DESK\"\n[[archive]]\nname = \"site\"\ntitle = \"SITE\"\nhost = \"127.0.0.1\"\nport = 1\n[patience]\nconnect_s = 1\n";
    std::fs::write(home.path().join("archive.toml"), text).unwrap();
    let visit = visit();
    let run = |words: &[&str]| run(home.path(), words);
    let read = |reader: &str| read_visit(home.path(), reader);
    let send = || run(&["archive", "send", &visit, "--to", "site", "--reports", "--queue-only"]);
    let lists = || [run(&["archive", "outbox"]), run(&["archive", "outbox", "--json"]), run(&["archive", "outbox", "--send"])].join("\n");
    let shown = |text: &str| text.contains("report …") || text.contains("\"report\": true") || text.contains("A. First");

    run(&["profile", "--reader", "A. First", "--role", "sonographer"]);
    read("A. First");
    let said = send();
    assert!(said.contains("Reports of saved readings: 1"), "{said}");
    assert!(shown(&lists()), "their own report is in the list");

    run(&["profile", "--reader", "B. Second", "--role", "reviewer"]);
    let (said, listed) = (send(), lists());
    assert!(said.contains("Reports of saved readings: 0") && !shown(&said), "{said}");
    assert!(!shown(&listed) && listed.contains("image …"), "{listed}");

    // With their own reading saved the exam is open to them.
    std::thread::sleep(std::time::Duration::from_millis(1100));
    read("B. Second");
    assert!(shown(&lists()));
}

#[test]
fn sending_looks_for_what_is_unseen_in_the_records_that_were_named() {
    let home = tempfile::tempdir().unwrap();
    let text =
        "title = \"DESK\"\n[[archive]]\nname = \"site\"\ntitle = \"SITE\"\nhost = \"127.0.0.1\"\nport = 1\n[patience]\nconnect_s = 1\n";
    std::fs::write(home.path().join("archive.toml"), text).unwrap();
    read_visit(home.path(), "A. First");
    let elsewhere = home.path().join("elsewhere");
    std::fs::rename(files::records_in(home.path()), &elsewhere).unwrap();
    let (visit, elsewhere) = (visit(), elsewhere.to_string_lossy().into_owned());
    let send = |more: &[&str]| {
        let words = ["archive", "send", &visit, "--to", "site", "--reports", "--records", &elsewhere];
        run(home.path(), &[&words, more].concat())
    };
    let said = send(&["--queue-only"]);
    assert!(said.contains("Reports of saved readings: 1"), "{said}");
    // The report alone, so that it is what the archive does not answer for.
    for item in Outbox::of(home.path()).items().unwrap().0.iter().filter(|i| !i.report) {
        std::fs::remove_file(files::outbox_in(home.path()).join(format!("{}.json", item.id))).unwrap();
    }
    run(home.path(), &["profile", "--reader", "A. First", "--role", "sonographer"]);
    let said = send(&[]);
    assert!(said.contains("report …"), "{said}");
    run(home.path(), &["profile", "--reader", "B. Second", "--role", "reviewer"]);
    let said = send(&[]);
    assert!(said.contains("Reports of saved readings: 0") && !said.contains("report …"), "{said}");
}
