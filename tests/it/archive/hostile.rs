//! Peers that mean ill or are broken. None stalls the receiver, leaves anything in its folder, or holds more than its share.

use std::io::{Read, Write};
use std::net::{Shutdown, TcpStream};
use std::time::{Duration, Instant};

use dicom_ul::association::ClientAssociationOptions;
use dicom_ul::pdu::{PDataValue, PDataValueType, Pdu};
use osspan::archive::Event;
use osspan::dicom::write::{Coding, uid_from};

use super::{Desk, Site, data_set, object};

const US_IMAGE: &str = "1.2.840.10008.5.1.4.1.1.6.1";
const EXPLICIT: &str = "1.2.840.10008.1.2.1";

fn call(site: &Site) -> TcpStream {
    let tcp = TcpStream::connect(site.receiver.address()).unwrap();
    tcp.set_read_timeout(Some(Duration::from_secs(20))).unwrap();
    tcp
}

/// Whether the other side hangs up, whatever it says before.
fn hangs_up(mut tcp: TcpStream) -> bool {
    let mut into = Vec::new();
    match tcp.read_to_end(&mut into) {
        Ok(_) => true,
        Err(e) => e.kind() == std::io::ErrorKind::ConnectionReset,
    }
}

/// An association of another implementation.
fn associated(site: &Site) -> dicom_ul::ClientAssociation<TcpStream> {
    ClientAssociationOptions::new()
        .calling_ae_title("SENDER")
        .called_ae_title("SITE")
        .with_presentation_context(US_IMAGE, vec![EXPLICIT])
        .establish(site.receiver.address())
        .unwrap()
}

fn element(number: u16, value: &[u8]) -> Vec<u8> {
    [&[0, 0], number.to_le_bytes().as_slice(), &(value.len() as u32).to_le_bytes(), value].concat()
}

/// A C-STORE request, written out here by PS3.7 table 9.3-1.
fn store_request(instance: &str) -> Vec<u8> {
    let uid = |text: &str| {
        let mut bytes = text.as_bytes().to_vec();
        bytes.resize(bytes.len().next_multiple_of(2), 0);
        bytes
    };
    let rest = [
        element(0x0002, &uid(US_IMAGE)),
        element(0x0100, &[1, 0]),
        element(0x0110, &[9, 0]),
        element(0x0700, &[0, 0]),
        element(0x0800, &[0, 0]),
        element(0x1000, &uid(instance)),
    ]
    .concat();
    [element(0, &(rest.len() as u32).to_le_bytes()), rest].concat()
}

fn value(value_type: PDataValueType, is_last: bool, data: &[u8]) -> Pdu {
    Pdu::PData { data: vec![PDataValue { presentation_context_id: 1, value_type, is_last, data: data.to_vec() }] }
}

/// Sends one object and returns the status that comes back.
fn store(site: &Site, instance: &str, bytes: &[u8]) -> u16 {
    let mut a = associated(site);
    a.send(&value(PDataValueType::Command, true, &store_request(instance))).unwrap();
    let pieces: Vec<&[u8]> = bytes.chunks(8000).collect();
    for (i, piece) in pieces.iter().enumerate() {
        a.send(&value(PDataValueType::Data, i + 1 == pieces.len(), piece)).unwrap();
    }
    let Pdu::PData { data } = a.receive().unwrap() else { panic!("no answer") };
    let answer = &data[0].data;
    let at = answer.windows(8).position(|w| w == [0, 0, 0, 9, 2, 0, 0, 0]).unwrap();
    let status = u16::from_le_bytes([answer[at + 8], answer[at + 9]]);
    a.release().unwrap();
    status
}

/// The receiver still takes an object of a good sender, soon.
fn still_works(site: &Site, name: &str) {
    let (desk, begun) = (Desk::new(), Instant::now());
    desk.queue(name, &object(name, Coding::Plain, 64));
    let pass = desk.pass(&site.for_sender("SENDER", ""));
    assert_eq!(pass.stored, 1, "{:?} {:?}", pass.troubles, desk.outcomes());
    assert!(begun.elapsed() < Duration::from_secs(4), "{:?}", begun.elapsed());
}

/// Nothing of what was cut off is left, hidden files included.
fn nothing_half_there(site: &Site) {
    let arriving = site.home.path().join("received/.arriving");
    let left = || std::fs::read_dir(&arriving).map_or(0, Iterator::count);
    let end = Instant::now() + Duration::from_secs(10);
    while (left() > 0 || site.receiver.associations() > 0) && Instant::now() < end {
        std::thread::sleep(Duration::from_millis(20));
    }
    assert_eq!((left(), site.receiver.associations()), (0, 0));
}

#[test]
fn half_open_and_dripping_connections_end_and_hold_nobody_up() {
    let site = Site::new("most_associations = 2", "");
    let silent: Vec<TcpStream> = (0..10).map(|_| call(&site)).collect();
    let mut drip = call(&site);
    drip.set_nodelay(true).unwrap();
    // A request for an association that claims 200 bytes and comes a byte at a time.
    let begun = Instant::now();
    let dripping = std::thread::spawn(move || {
        for byte in [1_u8, 0, 0, 0, 0, 200].into_iter().chain(std::iter::repeat(0)) {
            if drip.write_all(&[byte]).is_err() || begun.elapsed() > Duration::from_secs(15) {
                break;
            }
            std::thread::sleep(Duration::from_millis(100));
        }
        begun.elapsed()
    });
    still_works(&site, "beside the silent");
    assert!(silent.into_iter().all(hangs_up));
    // Two seconds are given for an association to be made, however busily.
    let took = dripping.join().unwrap();
    assert!(took < Duration::from_secs(8), "it was let go on for {took:?}");
    nothing_half_there(&site);
}

#[test]
fn garbage_huge_units_and_web_browsers_are_cut_off_at_once() {
    let site = Site::new("", "");
    let huge = [1, 0, 0xFF, 0xFF, 0xFF, 0xFF];
    // An association request whose first item claims more than there is.
    let mut lying = vec![1, 0, 0, 0, 0, 72];
    lying.extend([0, 1, 0, 0]);
    lying.extend([b' '; 32]);
    lying.extend([0; 32]);
    lying.extend([0x10, 0, 0xFF, 0xFF]);
    let cases: [&[u8]; 6] = [
        b"GET / HTTP/1.1\r\nHost: x\r\n\r\n",
        &[0xFF; 64],
        &huge,
        &lying,
        &[4, 0, 0, 0, 0, 4, 0, 0, 0, 0],
        &[5, 0, 0, 0, 0, 4, 0, 0, 0, 0],
    ];
    for bytes in cases {
        let begun = Instant::now();
        let mut tcp = call(&site);
        tcp.write_all(bytes).unwrap();
        // What is shorter than a unit claims to be waits for its rest, but not for ever.
        assert!(hangs_up(tcp) && begun.elapsed() < Duration::from_secs(4), "{bytes:02X?}");
    }
    still_works(&site, "after garbage");
    nothing_half_there(&site);
}

#[test]
fn an_association_that_breaks_in_the_middle_of_an_object_leaves_nothing() {
    let site = Site::new("", "");
    let bytes = data_set(&object("torn", Coding::Plain, 200));
    let begin = || {
        let mut a = associated(&site);
        a.send(&value(PDataValueType::Command, true, &store_request(&uid_from("torn")))).unwrap();
        a.send(&value(PDataValueType::Data, false, &bytes[..8000])).unwrap();
        a
    };
    begin().abort().unwrap();
    let mut cut = begin();
    cut.inner_stream().shutdown(Shutdown::Both).unwrap();
    // Nothing more comes: the silence ends it.
    let silent = begin();
    // A second command where the rest of the object should be.
    let mut confused = begin();
    confused.send(&value(PDataValueType::Command, true, &store_request("1.2"))).unwrap();
    nothing_half_there(&site);
    assert!(site.files().is_empty());
    drop(silent);
    still_works(&site, "after breaks");
}

#[test]
fn objects_that_lie_about_themselves_are_refused_and_leave_nothing() {
    let site = Site::new("largest_object_mb = 1", "");
    let good = data_set(&object("true", Coding::Plain, 64));
    let uid = uid_from("true");
    assert_eq!(store(&site, &uid_from("another"), &good), 0xA900, "another UID than was said");
    let cut = good[..good.len() / 2].to_vec();
    assert_eq!(store(&site, &uid, &cut), 0xC000, "cut short");
    let mut long = good.clone();
    // The first element claims four gigabytes. Its VR of two bytes becomes one of four.
    long.splice(..8, [8, 0, 5, 0, b'U', b'N', 0, 0, 0xFE, 0xFF, 0xFF, 0xFF]);
    assert_eq!(store(&site, &uid, &long), 0xC000, "a length beyond the end");
    assert_eq!(store(&site, "../../../etc/x", &good), 0xC000, "a UID that is a path");
    nothing_half_there(&site);
    assert!(site.files().is_empty());
    assert_eq!(store(&site, &uid, &good), 0x0000);
    assert_eq!(site.files().len(), 1);
    // One that is larger than this site takes.
    let mut a = associated(&site);
    a.send(&value(PDataValueType::Command, true, &store_request(&uid_from("endless")))).unwrap();
    let endless = (0..1000).all(|_| a.send(&value(PDataValueType::Data, false, &[0; 8000])).is_ok());
    assert!(!endless, "8 MB went into 1 MB");
    nothing_half_there(&site);
}

#[test]
fn there_are_no_more_associations_than_allowed_and_the_rest_may_come_later() {
    let site = Site::new("most_associations = 2", "");
    let held = [associated(&site), associated(&site)];
    let desk = Desk::new();
    desk.queue("third", &object("third", Coding::Plain, 32));
    let settings = site.for_sender("SENDER", "");
    let pass = desk.pass(&settings);
    assert_eq!((pass.stored, pass.waiting), (0, 1));
    assert!(pass.troubles[0].contains("local limit"), "{:?}", pass.troubles);
    for a in held {
        a.release().unwrap();
    }
    for _ in 0..2 {
        site.until(|e| matches!(e, Event::Ended { .. }));
    }
    assert_eq!(desk.pass(&settings).stored, 1);
}

#[test]
fn a_disk_that_takes_nothing_is_said_to_the_sender_who_keeps_the_object() {
    let site = Site::new("", "");
    let folder = site.home.path().join("received");
    std::fs::create_dir_all(&folder).unwrap();
    // Where files arrive there is a file: nothing can be written, as on a full disk.
    std::fs::write(folder.join(".arriving"), "").unwrap();
    let desk = Desk::new();
    desk.queue("homeless", &object("homeless", Coding::Plain, 64));
    let settings = site.for_sender("SENDER", "");
    let pass = desk.pass(&settings);
    assert_eq!((pass.stored, pass.refused, pass.waiting), (0, 0, 1));
    assert!(desk.outcomes()[0].words().contains("A700"), "{:?}", desk.outcomes());
    std::fs::remove_file(folder.join(".arriving")).unwrap();
    assert_eq!(desk.pass(&settings).stored, 1);
}
