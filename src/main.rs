//! The program: reads its arguments and does what they say.

fn main() -> std::process::ExitCode {
    hayloft::cli::main().into()
}
