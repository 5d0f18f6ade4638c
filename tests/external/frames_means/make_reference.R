# Marginal means, contrasts with Holm, type III tests, predictions and R-squared of mixed models of data in
# ../mixed_classics/data. Writes reference.json.
suppressMessages({library(lme4); library(lmerTest); library(pbkrtest); library(emmeans); library(performance); library(jsonlite)})
emm_options(lmer.df = "kenward-roger")
tight <- lmerControl(optimizer = "nloptwrap", optCtrl = list(xtol_abs = 1e-12, ftol_abs = 1e-12, maxeval = 1e5))
polish <- function(fit) { # from the optimum that was found, once more by another optimiser
  better <- update(fit, start = getME(fit, "theta"), control = lmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-10)))
  if (logLik(better) > logLik(fit)) better else fit
}
table_of <- function(found) {
  text <- as.data.frame(summary(found, infer = c(TRUE, TRUE)))
  lapply(text, function(column) if (is.factor(column)) as.character(column) else column)
}
type3 <- function(fit) {
  found <- anova(fit, type = "III", ddf = "Kenward-Roger")
  list(term = rownames(found), F = found$`F value`, df1 = found$NumDF, df2 = found$DenDF, p = found$`Pr(>F)`)
}
spread <- function(fit) as.data.frame(VarCorr(fit))[, c("grp", "var1", "var2", "vcov", "sdcor")]
rsq <- function(fit) { found <- r2_nakagawa(fit); list(marginal = as.numeric(found$R2_marginal), conditional = as.numeric(found$R2_conditional)) }
by_formula <- function(fit) { # Johnson 2014: mean over the rows of the diagonal of Z G Z'
  Z <- getME(fit, "Z"); L <- getME(fit, "Lambda"); s2 <- sigma(fit)^2
  fixed <- var(as.vector(getME(fit, "X") %*% fixef(fit))); groups <- mean(Matrix::diag(Z %*% (L %*% Matrix::t(L)) %*% Matrix::t(Z))) * s2
  list(marginal = fixed / (fixed + groups + s2), conditional = (fixed + groups) / (fixed + groups + s2), intercepts_only = fixed / (fixed + as.data.frame(VarCorr(fit))$vcov[1] + s2))
}

old <- options(contrasts = c("contr.sum", "contr.poly"))
machines <- read.csv("../mixed_classics/data/machines_unbalanced.csv"); machines$Worker <- factor(machines$Worker); machines$Machine <- factor(machines$Machine)
growth <- read.csv("../mixed_classics/data/orthodont.csv")
growth$Sex <- factor(growth$Sex, levels = c("Female", "Male")); growth$visit <- factor(paste0("a", growth$age), levels = c("a8", "a10", "a12", "a14"))
children <- c(sprintf("F%02d", 1:11), sprintf("M%02d", 1:16))
gone <- children[c(3, 6, 9, 10, 13, 16, 23, 24, 27)]
short <- growth[!(growth$age == 10 & growth$Subject %in% gone), ]
beets <- read.csv("../mixed_classics/data/beets.csv"); for (name in c("harvest", "block", "sow")) beets[[name]] <- factor(beets[[name]])
uneven <- beets[-c(1, 7, 19), ]

nested <- polish(lmer(score ~ Machine + (1 | Worker/Machine), machines, control = tight))
factors <- polish(lmer(distance ~ Sex * visit + (1 | Subject), short, control = tight))
slopes <- polish(lmer(distance ~ Sex * age + (1 + age || Subject), short, control = tight))
blocks <- polish(lmer(sugpct ~ block + sow + harvest + (1 | block:harvest), uneven, control = tight))
tied <- polish(lmer(distance ~ Sex * age + (1 + age | Subject), growth, control = tight))
new <- growth[c(1, 40, 100), ]

answers <- list(
  nested = list(means = table_of(emmeans(nested, "Machine")), pairs = table_of(contrast(emmeans(nested, "Machine"), "revpairwise", adjust = "holm")), type3 = type3(nested), spread = spread(nested), r2 = rsq(nested)),
  factors = list(means = table_of(emmeans(factors, ~ Sex | visit)), pairs = table_of(contrast(emmeans(factors, ~ visit | Sex), "trt.vs.ctrl", ref = "a8", adjust = "holm")),
                 overall = table_of(emmeans(factors, "Sex")), weighted = table_of(emmeans(factors, "Sex", weights = "proportional")), type3 = type3(factors)),
  slopes = list(means = table_of(emmeans(slopes, ~ Sex | age, at = list(age = c(8, 14)))), mean_age = table_of(emmeans(slopes, "Sex")), type3 = type3(slopes), spread = spread(slopes), r2 = by_formula(slopes), r2_package = rsq(slopes),
                conditional = unname(predict(slopes, new)), marginal = unname(predict(slopes, new, re.form = NA))),
  blocks = list(means = table_of(emmeans(blocks, "sow")), pairs = table_of(contrast(emmeans(blocks, "sow"), "revpairwise", adjust = "holm")), type3 = type3(blocks)),
  tied = list(r2 = rsq(tied), r2_formula = by_formula(tied))
)
write_json(answers, "reference.json", digits = 12, auto_unbox = FALSE, pretty = TRUE)
