//! A reviewer at the same workstation sees no report of a reading that they have still to make unseen, and sends none.

use std::path::Path;
use std::process::Command;

#[test]
fn reports_of_an_exam_are_in_no_list_of_a_reviewer_who_has_still_to_read_it() {
    let home = tempfile::tempdir().unwrap();
    let text =
        "title = \"DESK\"\n[[archive]]\nname = \"site\"\ntitle = \"SITE\"\nhost = \"127.0.0.1\"\nport = 1\n[patience]\nconnect_s = 1\n";
    std::fs::write(home.path().join("archive.toml"), text).unwrap();
    let visit = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-images/visit-2");
    let (visit, frame) = (visit.to_string_lossy().into_owned(), visit.join("frame-1.dcm").to_string_lossy().into_owned());
    let run = |words: &[&str]| {
        let done =
            Command::new(env!("CARGO_BIN_EXE_osspan")).args(words).env("OSSPAN_DATA", home.path()).env_remove("DISPLAY").output().unwrap();
        String::from_utf8_lossy(&done.stdout).into_owned() + &String::from_utf8_lossy(&done.stderr)
    };
    let read = |reader: &str| {
        let said = run(&[
            "read",
            &frame,
            "--os",
            "249.3,184",
            "--edge",
            "250.7,244.8",
            "--body",
            "221.6,271.8",
            "--side",
            "not-covering",
            "--guideline",
            "rcog-2018",
            "--route",
            "transvaginal",
            "--bladder",
            "empty",
            "--due-date",
            "2025-06-30",
            "--save",
            "--reader",
            reader,
        ]);
        assert!(said.contains("Saved"), "{said}");
    };
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
