//! Writes what the fuzzer begins with: `write_seeds REPOSITORY RUN FOLDER`.

#[path = "parsers.rs"]
mod parsers;
#[path = "seeds.rs"]
mod seeds;

use std::path::PathBuf;

fn main() {
    let paths: Vec<PathBuf> = std::env::args().skip(1).map(PathBuf::from).collect();
    let [repository, run, folder] = &paths[..] else {
        panic!("write_seeds REPOSITORY RUN FOLDER");
    };
    for parser in &parsers::PARSERS {
        let corpus = folder.join(parser.name);
        std::fs::create_dir_all(&corpus).expect("the folder of the corpus");
        for (number, seed) in seeds::seeds(parser.name, repository, run).iter().enumerate() {
            std::fs::write(corpus.join(format!("seed-{number}")), seed).expect("a seed");
        }
    }
}
