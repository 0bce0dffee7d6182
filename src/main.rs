fn main() {
    println!("hello");
}
