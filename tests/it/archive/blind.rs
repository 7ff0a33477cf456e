//! A reviewer at the same workstation sees no report of a reading that they have still to make unseen, and sends none.

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
