//! Answers for `tests/outside/practice.py`: one JSON request a line on standard input, one JSON answer a line out.
#![allow(unreachable_pub, missing_docs, clippy::print_stdout, clippy::expect_used)]

#[path = "../common/mod.rs"]
mod common;

use std::io::{BufRead, stdin};

use common::practice::{KINDS, run, tasks};
use osspan::practice::competence::{Looks, Rates, chance_within, charts, weight};
use osspan::practice::score;
use serde::Deserialize;
use serde_json::{Value, json};

#[derive(Deserialize)]
#[serde(tag = "do", rename_all = "kebab-case", deny_unknown_fields)]
enum Request {
    /// Charts of failures.
    Charts { failures: Vec<bool>, rates: Rates },
    /// What a success and a failure add to the learning sum.
    Weights { rates: Rates },
    /// Chance to reach the limit.
    Chance { cases: usize, rate: f64, rates: Rates, decline: bool },
    /// A simulated trainee's marked cases and their score.
    Trainee { kind: usize, cases: usize, seed: u64 },
}

fn main() -> Result<(), String> {
    for line in stdin().lock().lines() {
        let request: Request = serde_json::from_str(&line.map_err(|e| e.to_string())?).map_err(|e| e.to_string())?;
        println!("{}", answer(&request)?);
    }
    Ok(())
}

fn answer(request: &Request) -> Result<Value, String> {
    Ok(match request {
        Request::Charts { failures, rates } => json!(charts(failures, rates)),
        Request::Weights { rates } => json!([false, true].map(|f| weight(f, rates, Looks::ForCompetence))),
        Request::Chance { cases, rate, rates, decline } => {
            json!(chance_within(*cases, *rate, rates, if *decline { Looks::ForDecline } else { Looks::ForCompetence }))
        }
        Request::Trainee { kind, cases, seed } => {
            let kind = KINDS.get(*kind).ok_or("no such kind")?;
            let marked = run(kind, &tasks(None, *cases, *seed), *seed);
            let times: Vec<f64> = (0..marked.len()).map(|i| 20.0 + ((i * 37) % 90) as f64).collect();
            json!({ "marked": marked, "seconds": times, "score": score(marked.iter().zip(times.iter().map(|t| Some(*t)))) })
        }
    })
}
