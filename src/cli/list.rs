//! `list`: what a file or folder holds. Headers only; no patient is named.

use std::io::Write;
use std::ops::ControlFlow;
use std::process::ExitCode;

use super::args::ListArgs;
use super::{Done, output};
use crate::calibrate::header::survey;
use crate::error::{Error, ErrorKind};
use crate::load::scan::scan;

pub(super) fn run(args: &ListArgs, out: &mut dyn Write) -> Done {
    let found = scan(&args.path, &mut |_| ControlFlow::Continue(()))?;
    for (i, exam) in found.exams.iter().enumerate() {
        let date = exam.date.map_or("undated".to_owned(), |d| d.to_string());
        output::line(out, &format!("Exam {} · {date} · {} files", i + 1, exam.files.len()))?;
        for warning in &exam.warnings {
            output::wrapped(out, "  ! ", warning)?;
        }
        for file in &exam.files {
            let g = file.geometry();
            let usable = survey(g).regions.iter().filter(|r| r.reason().is_none()).count();
            output::line(
                out,
                &format!(
                    "  {} · {} by {} px · {} frame(s) · {} · {usable} of {} region(s) usable for distance",
                    file.path().display(),
                    g.columns,
                    g.rows,
                    file.frame_count(),
                    file.facts().transfer_syntax_name,
                    g.regions.len(),
                ),
            )?;
            for warning in file.warnings() {
                output::wrapped(out, "    ! ", warning)?;
            }
        }
    }
    if !found.not_frames.is_empty() {
        output::line(out, "Not frames")?;
        for (path, reason) in &found.not_frames {
            output::wrapped(out, "  ", &format!("{}: {reason}", path.display()))?;
        }
    }
    if found.exams.is_empty() {
        return Err(Error::new(ErrorKind::Format, "nothing to read")
            .expected("at least one DICOM ultrasound file or picture")
            .found("none")
            .at(&args.path));
    }
    Ok(ExitCode::SUCCESS)
}
